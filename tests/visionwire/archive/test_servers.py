"""Photographs on a web server and in a bucket: listed, read whole or not at all, tried again, proved."""

from __future__ import annotations

import os
import shutil
import ssl
import subprocess
import sys
import threading
from collections import Counter
from collections.abc import Callable, Iterator
from functools import partial
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from importlib import import_module
from pathlib import Path
from urllib.parse import unquote

import pytest
from typer.testing import CliRunner

from tests.visionwire.archive.small import DEMO, SETTINGS, all_rows, dump, folder_of, in_this_process
from visionwire.archive import Ledger, listed, run
from visionwire.archive.files import SUFFIXES, from_path, name_of, pattern_of, photo_at, sha256_of
from visionwire.archive.ledger import Job
from visionwire.archive.page import trends_html
from visionwire.archive.trends import trends_of
from visionwire.cli import app
from visionwire.errors import ArchiveError, ExitCode

pytest.importorskip("fsspec")
RUN = import_module("visionwire.archive.run")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return folder_of(tmp_path / "photos", 3)


class Site(ThreadingHTTPServer):
    """A web server with a folder, which tells what it was asked for and can be made to fail.

    Attributes
    ----------
    asked : Counter
        How often each picture was sent, or begun.
    ways : dict
        By name: "no length", "broken" half way, or "broken chunks", which is such a break where no length is told.
    before : callable
        Called with a picture's name before it is sent.
    lists : bool
        Whether folders are listed.
    """

    def __init__(self, folder: Path) -> None:
        super().__init__(("127.0.0.1", 0), partial(Pictures, directory=str(folder)))
        self.asked: Counter[str] = Counter()
        self.ways: dict[str, str] = {}
        self.before: Callable[[str], None] = lambda name: None
        self.lists = True
        self.url = f"http://127.0.0.1:{self.server_port}"


class Pictures(SimpleHTTPRequestHandler):
    server: Site

    def log_message(self, *_: object) -> None:
        pass

    def list_directory(self, path: str | os.PathLike[str]) -> object:  # type: ignore[override]
        if self.server.lists:
            return super().list_directory(path)
        self.send_error(403)
        return None

    def do_HEAD(self) -> None:
        name = self.name()
        if self.server.ways.get(name) in ("no length", "broken chunks"):
            self.send_response(200)
            self.end_headers()
        else:
            super().do_HEAD()

    def do_GET(self) -> None:
        name = self.name()
        if name.endswith(SUFFIXES):
            self.server.asked[name] += 1
            self.server.before(name)
        way = self.server.ways.get(name)
        if way is None:
            super().do_GET()
            return
        data = Path(self.translate_path(self.path)).read_bytes()
        self.protocol_version = "HTTP/1.1"
        self.close_connection = True
        self.send_response(200)
        if way == "broken":
            self.send_header("Content-Length", str(len(data)))
        if way == "broken chunks":
            self.send_header("Transfer-Encoding", "chunked")
        self.send_header("Connection", "close")
        self.end_headers()
        self.wfile.write({"no length": data, "broken": half(data), "broken chunks": chunk(half(data))}[way])

    def name(self) -> str:
        return unquote(self.path).rpartition("/")[2]


def half(data: bytes) -> bytes:
    return data[: len(data) // 2]


def chunk(data: bytes) -> bytes:
    return b"%x\r\n%b\r\n" % (len(data), data)


@pytest.fixture
def site(folder: Path) -> Iterator[Site]:
    """Serve the folder's pictures, one of them in folders whose names a URL must quote."""
    pytest.importorskip("aiohttp")
    deep = folder / "bay #1" / "ann"
    deep.mkdir(parents=True)
    (folder / "01.png").rename(deep / "a b.png")
    (folder / "notes.txt").write_text("no picture")
    with Site(folder) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        yield server
        server.shutdown()


def command(*words: str) -> list[str]:
    return [sys.executable, "-c", "from visionwire.cli import main; main()", *words]


def rows_of(path: Path) -> dict[str, dict[str, object]]:
    book = Ledger(path)
    columns, rows = all_rows(book)
    book.close()
    return {name_of(str(row[0])): dict(zip(columns, row, strict=True)) for row in rows}


def test_a_web_server_lists_its_folders(site: Site) -> None:
    names = ["00.png", "02.png", "a b.png", "broken.jpg", "copy.png"]
    for word in (site.url, f"{site.url}/", f"simplecache::{site.url}"):
        assert [name_of(place) for place in listed([word])] == names, word
    assert [name_of(place) for place in listed([f"{site.url}/*.png"])] == ["00.png", "02.png", "copy.png"]
    (deep,) = listed([f"{site.url}/**/a*.png"])
    assert from_path(deep, pattern_of("{station}/{technician}/*")) == {"station": "bay #1", "technician": "ann"}
    assert not site.asked  # to list is not to send


def test_what_a_web_server_does_not_list_is_said(site: Site) -> None:
    site.lists = False
    with pytest.raises(ArchiveError, match="403"):
        listed([site.url])
    with pytest.raises(ArchiveError, match="404"):
        listed([f"{site.url}/nowhere"])
    assert listed([f"{site.url}/00.png"]) == [f"{site.url}/00.png"]


def test_pictures_come_whole_from_any_web_server_or_not_at_all(site: Site, folder: Path) -> None:
    large = DEMO.read_bytes() + bytes(6 << 20)  # over what fsspec asks for at a time, which this server cannot send
    (folder / "large.jpg").write_bytes(large)
    shutil.copy(DEMO, folder / "demo.jpg")
    site.ways = {"demo.jpg": "no length"}
    for name in ("large.jpg", "demo.jpg"):
        here, there = str(folder / name), f"{site.url}/{name}"
        assert sha256_of(there) == sha256_of(here) and photo_at(there).sha256 == photo_at(here).sha256
    for way in ("broken", "broken chunks"):
        site.ways = {"demo.jpg": way}
        sha256, size, problem = sha256_of(f"{site.url}/demo.jpg")
        assert (sha256, size) == (None, 0) and "not completed" in problem
        with pytest.raises(ArchiveError, match="not completed"):
            photo_at(f"{site.url}/demo.jpg")


def test_every_picture_of_a_web_server_is_one_row(site: Site, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    given: list[str] = []

    def counting(todo: list[Job], *rest: object) -> object:
        given.extend(place for _, place, _ in todo)
        return in_this_process(todo, SETTINGS)

    monkeypatch.setattr(RUN, "_entries", counting)
    site.ways = {"02.png": "broken"}
    places = [*listed([site.url]), f"{site.url}/gone.jpg", "http://127.0.0.1:9/nobody.jpg"]
    book = Ledger(tmp_path / "a.db")
    assert run(places, book, SETTINGS) == {"refusal": 3, "unreadable": 4}
    rows = rows_of(book.path)
    assert len(rows) == 7 and all(row["message"] for row in rows.values())
    said = {name: str(rows[f"{name}.jpg"]["message"]) for name in ("broken", "gone", "nobody")}
    assert "no picture" in said["broken"] and "404" in said["gone"] and "connect" in said["nobody"]
    given.clear()
    site.ways = {}
    assert run(places, book, SETTINGS) == {"refusal": 4, "unreadable": 3}
    assert [name_of(place) for place in given] == ["02.png"]
    given.clear()
    run(places, book, SETTINGS)
    assert not given


def test_a_line_that_breaks_when_a_picture_is_read_is_tried_again(
    site: Site, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(RUN, "_entries", in_this_process)

    def after_its_hash(name: str) -> None:
        site.ways = {"00.png": "broken"} if site.asked["00.png"] == 2 else {}

    site.before = after_its_hash
    book = Ledger(tmp_path / "a.db")
    assert run([f"{site.url}/00.png"], book, SETTINGS) == {"unreadable": 1}
    assert "not completed" in str(rows_of(book.path)["00.png"]["message"])
    assert run([f"{site.url}/00.png"], book, SETTINGS) == {"refusal": 1}
    assert site.asked["00.png"] == 4


def test_a_picture_that_does_not_arrive_in_time_is_tried_again(site: Site, tmp_path: Path) -> None:
    come = threading.Event()
    site.before = lambda name: come.wait() if site.asked[name] == 2 else None  # type: ignore[assignment]
    book = Ledger(tmp_path / "a.db")
    assert run([f"{site.url}/00.png"], book, SETTINGS, limit_s=4.0) == {"unreadable": 1}
    assert "too long to arrive" in str(rows_of(book.path)["00.png"]["message"])
    come.set()
    assert run([f"{site.url}/00.png"], book, SETTINGS) == {"refusal": 1}


def test_killed_while_a_web_server_sends_it_ends_the_same(site: Site, tmp_path: Path) -> None:
    def words(name: str) -> list[str]:
        return command("archive", site.url, "--ledger", str(tmp_path / name), "--jobs", "1")

    subprocess.run(words("whole.db"), check=True, capture_output=True)
    site.asked.clear()
    hashed = len(listed([site.url]))
    with subprocess.Popen(words("killed.db"), stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        # All were sent to be hashed and one to be read: the next is under way.
        site.before = lambda name: process.kill() if site.asked.total() == hashed + 2 else None
        _, said = process.communicate()
    site.before = lambda name: None
    assert process.returncode not in (0, 1, 2) and b"Traceback" not in said
    book = Ledger(tmp_path / "killed.db")
    assert book.states()["waiting"] == 3 and sum(book.states().values()) == 5
    book.close()
    subprocess.run(words("killed.db"), check=True, capture_output=True)
    assert dump(tmp_path / "killed.db") == dump(tmp_path / "whole.db")


def test_pictures_of_a_web_server_are_proved_and_drawn(
    site: Site, folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(RUN, "_entries", in_this_process)
    shutil.copy(DEMO, folder / "demo.jpg")
    book = Ledger(tmp_path / "a.db")
    assert run([f"{site.url}/demo.jpg"], book, SETTINGS) == {"reading": 1}
    page = trends_html("a.db", trends_of(book, 5), SETTINGS.limits, book, "common", ())
    assert page.count('class="strip"') == 1
    book.close()
    assert CliRunner().invoke(app, ["verify", str(book.path)]).exit_code == 0
    shutil.copy(folder / "00.png", folder / "demo.jpg")
    done = CliRunner().invoke(app, ["verify", str(book.path)])
    assert done.exit_code == ExitCode.NONCONFORMING and "demo.jpg: its content is another" in done.stdout


@pytest.mark.skipif(shutil.which("openssl") is None, reason="needs openssl to make a certificate")
def test_a_certificate_that_is_not_trusted_is_said_and_can_be_trusted(site: Site, tmp_path: Path) -> None:
    key, certificate = tmp_path / "key.pem", tmp_path / "certificate.pem"
    make = "openssl req -x509 -newkey rsa:2048 -nodes -days 1 -subj /CN=wires -addext subjectAltName=IP:127.0.0.1"
    subprocess.run([*make.split(), "-keyout", str(key), "-out", str(certificate)], check=True, capture_output=True)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(certificate, key)
    site.socket = context.wrap_socket(site.socket, server_side=True)
    url, ledger = f"https://127.0.0.1:{site.server_port}", tmp_path / "a.db"
    with pytest.raises(ArchiveError, match=r"(?i)certificate"):
        listed([url])
    assert "certificate" in sha256_of(f"{url}/00.png")[2].lower()
    subprocess.run(
        command("archive", url, "--ledger", str(ledger), "--jobs", "1"),
        check=True,
        capture_output=True,
        env={**os.environ, "SSL_CERT_FILE": str(certificate)},
    )
    assert rows_of(ledger)["a b.png"]["state"] == "refusal"


@pytest.fixture
def bucket(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    """Put the folder into a bucket of a store on this machine, which the environment names to commands."""
    server = pytest.importorskip("moto.server")
    boto3 = pytest.importorskip("boto3")
    pytest.importorskip("s3fs")
    store = server.ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
    store.start()
    host, port = store.get_host_and_port()
    for name in [name for name in os.environ if name.startswith(("AWS_", "FSSPEC_"))]:
        monkeypatch.delenv(name)
    for name, value in {
        "FSSPEC_S3_ENDPOINT_URL": f"http://{host}:{port}",
        "AWS_ACCESS_KEY_ID": "somebody",
        "AWS_SECRET_ACCESS_KEY": "nothing",
        "AWS_DEFAULT_REGION": "us-east-1",
        "AWS_EC2_METADATA_DISABLED": "true",
        "AWS_CONFIG_FILE": os.devnull,
        "AWS_SHARED_CREDENTIALS_FILE": os.devnull,
    }.items():
        monkeypatch.setenv(name, value)
    client = boto3.client("s3", endpoint_url=f"http://{host}:{port}")
    client.create_bucket(Bucket="wires")
    for one in folder.iterdir():
        client.put_object(Bucket="wires", Key=f"bay #1/ann/{one.name}", Body=one.read_bytes())
    client.put_object(Bucket="wires", Key="bay #1/notes.txt", Body=b"no picture")
    client.close()
    yield "s3://wires"
    store.stop()


def test_a_bucket_is_read_as_fsspec_is_told(
    bucket: str, folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def archive(ledger: str, *words: str) -> subprocess.CompletedProcess[str]:
        whole = command("archive", *words, "--ledger", str(tmp_path / ledger), "--jobs", "1")
        return subprocess.run(whole, capture_output=True, text=True, check=False)

    pattern = ("--pattern", "{station}/{technician}/*")
    done = archive("a.db", bucket, f"{bucket}/bay #1/gone.jpg", *pattern)
    assert done.returncode == 0 and "6 files, 4 refusals, 2 unreadable" in done.stdout
    rows = rows_of(tmp_path / "a.db")
    assert {row["station"] for name, row in rows.items() if name != "gone.jpg"} == {"bay #1"}
    assert "there is nothing" in str(rows["gone.jpg"]["message"])
    assert {name: row["sha256"] for name, row in rows.items() if name != "gone.jpg"} == {
        one.name: sha256_of(str(one))[0] for one in folder.iterdir()
    }
    assert "3 files, 3 refusals" in archive("b.db", f"{bucket}/*/ann/0*.png").stdout
    verified = subprocess.run(command("verify", str(tmp_path / "a.db")), check=False, capture_output=True, text=True)
    assert verified.returncode == 0, verified.stdout
    said = archive("c.db", f"{bucket}/nowhere").stderr
    assert "nowhere cannot be read (there is nothing)" in said and "Traceback" not in said
    monkeypatch.delenv("AWS_ACCESS_KEY_ID")
    monkeypatch.delenv("AWS_SECRET_ACCESS_KEY")
    said = archive("c.db", bucket).stderr
    assert "credentials" in said and "Traceback" not in said
