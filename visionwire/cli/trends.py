"""``visionwire trends``, ``review``, ``verify``: what a ledger says, what people decided, and that both still hold."""

from __future__ import annotations

import contextlib
import datetime
from collections import Counter
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from visionwire.cli.complaint import say
from visionwire.cli.numbers import guess, one_of
from visionwire.counts import counted
from visionwire.errors import ArchiveError, ExitCode, LimitsError, OutputError, UsageError, one_line

if TYPE_CHECKING:
    from visionwire.archive import Ledger
    from visionwire.archive.decisions import Decision
    from visionwire.archive.trends import Trends
    from visionwire.limits import LimitSet

#: Of some names, as many are said.
NAMED = 8
DECISIONS = {word: word for word in ("accept", "reject", "retake")}
LedgerFile = Annotated[Path, typer.Argument(metavar="FILE.db", help="The ledger.")]


def trends(
    ledger: LedgerFile,
    html: Annotated[Path | None, typer.Option(metavar="FILE.html", help="A page that stands by itself.")] = None,
    csv: Annotated[Path | None, typer.Option(metavar="FILE.csv", help="All rows, for Excel.")] = None,
    jsonl: Annotated[Path | None, typer.Option(metavar="FILE.jsonl", help="All rows, one JSON object a line.")] = None,
    parquet: Annotated[Path | None, typer.Option(metavar="FILE.parquet", help="All rows as Parquet.")] = None,
    sections: Annotated[
        Path | None, typer.Option(metavar="FILE.csv", help="A row for every run and pigtail, for Excel.")
    ] = None,
    technician: Annotated[
        str | None, typer.Option(metavar="NAME", help="Page, counts and lists of one technician alone.")
    ] = None,
    limits: Annotated[
        str | None,
        typer.Option(metavar="NAME|FILE.toml", help="As the archive was read by. [default: as the ledger says]"),
    ] = None,
    most: Annotated[
        int, typer.Option(min=0, help="Photographs to look at first that are shown, and of those not read.")
    ] = 24,
) -> None:
    """Show an archive: counts by state and call, and on request a page, CSV, JSON Lines or Parquet."""
    from visionwire.archive import export
    from visionwire.archive.page import trends_html
    from visionwire.archive.sections import COLUMNS, section_rows
    from visionwire.archive.trends import EARLIER, trends_of

    _require_apart(ledger, [path for path in (html, csv, jsonl, parquet, sections) if path is not None])
    with contextlib.closing(_opened(ledger)) as book:
        limit_set, heading = _read_by(book, limits)
        found = trends_of(book, most, technician)
        if technician is not None and not found.files:
            raise UsageError(_by_nobody_words(book, technician))
        whose = "" if technician is None else f", technician {technician}"
        for path, write in ((csv, export.to_csv), (jsonl, export.to_jsonl), (parquet, export.to_parquet)):
            if path is not None:
                write(path, *book.rows())
                print(path)
        if sections is not None:
            export.to_csv(sections, COLUMNS, section_rows(book))
            print(sections)
        if html is not None:
            try:
                page = trends_html(
                    f"{ledger.name}{whose}", found, limit_set, book, heading, wanting_words(found.reasons)
                )
                html.write_text(page, encoding="utf-8")
            except OSError as error:
                raise OutputError(f"{html} cannot be written ({error.strerror}); give another place") from error
            print(html)
    as_seen = {"conforming": f" ({found.as_seen} with no pigtail counted)"} if found.as_seen else {}
    calls = ", ".join(f"{count} {call}{as_seen.get(call, '')}" for call, count in found.calls.items()) or "none"
    called = f"; calls: {calls}" if found.files else ""
    say(f"{ledger}{whose}: {files_words(found.states, found.reasons, found.copies)}{called}")
    say(f"  limits: {heading}")
    if found.decisions:
        said = "; ".join(f"{count} {decision}" for decision, count in found.decisions.items())
        say(f"  decisions of people on {counted(sum(found.decisions.values()), 'photograph')}: {said}")
    if found.pending or found.contested:
        say(
            f"  decisions that do not stand yet: {found.pending} pending, {found.contested} contested; a second person "
            "who says the same with visionwire review makes them stand"
        )
    if found.earlier:
        again = "it" if found.earlier == 1 else "them"
        say(f"  decisions made on {EARLIER}: {found.earlier}; look at {again} again with visionwire review")
    if found.replaced:
        say(f"  {replaced_count_words(found.replaced)}")
    _print_to_look_at(found)
    _print_not_read(found)


def _require_apart(ledger: Path, written: list[Path]) -> None:
    """Check that nothing is written over the ledger, which holds what people decided, nor two tables into one file."""
    own = {ledger.resolve().with_name(f"{ledger.resolve().name}{more}") for more in ("", "-wal", "-shm")}
    for number, path in enumerate(written):
        if path.resolve() in own or (path.exists() and ledger.exists() and path.samefile(ledger)):
            raise UsageError(f"{path} is the ledger itself, which nothing is written over; give another file")
        if path.resolve() in [one.resolve() for one in written[:number]]:
            raise UsageError(f"{path} is named twice to be written; give each of the two a file of its own")


def _by_nobody_words(book: Ledger, technician: str) -> str:
    """Say that a ledger has no photograph by somebody, whose name may be another, and where names are told."""
    known = [name for (name,) in book.ask("SELECT DISTINCT technician FROM files WHERE technician IS NOT NULL")]
    told = (
        "--csv writes who made which"
        if known
        else ("it names no technician: visionwire archive with --pattern or --metadata tells who made which")
    )
    return f"no photograph in {book.path} is by {technician!r}{guess(technician, known)}; {told}"


def _print_to_look_at(found: Trends) -> None:
    """Name what is to be looked at first, whose it is, why and what to do, and how many more are open."""
    from visionwire.archive.trends import ORDER
    from visionwire.sheet.words import percent

    if not found.to_look_at:
        return
    print(f"to look at first:\n  (in this order: {ORDER})" if found.work else "to look at:")
    for row in found.work:
        decision = row["open_decision"] or row["decision"]
        decided = f" ({decision}, decided on {row['decided_on']})" if decision else ""
        who = f", {row['technician']}" if row["technician"] else ""
        sure = (
            ""
            if row["call"] in (None, "undecided") or row["confidence"] is None
            else f", confidence {percent(row['confidence'])}"
        )
        say(f"  {row['called'] or row['state']}{sure}: {row['path']}{who}{decided}")
        for line in (row["replaced"], row["reason"], row["advice"]):
            if line:
                say(f"    {line}")
    more = Counter(found.to_look_at) - Counter(row["call"] or row["state"] for row in found.work)
    if more:
        kinds = ", ".join(f"{count} {what}" for what, count in more.items())
        say(f"  and {more.total()} more ({kinds}); --most {sum(found.to_look_at.values())} shows them")


def _read_by(book: Ledger, given: str | None) -> tuple[LimitSet | None, str]:
    """Return the limit set that the archive was read by, if it can be had, and what is to be said of it.

    A set that the calls were not made by is refused: beside it they would look as if they were.
    """
    from visionwire.limits import known_limits, load_limits

    told = book.read_by()
    if told is None:
        chosen = None if given is None else load_limits(given)
        what = "no limits are drawn; --limits gives the set" if chosen is None else f"{chosen.name}: {chosen.title}"
        return chosen, f"{what} (the ledger does not say by which set it was read)"
    if given is not None:
        chosen = load_limits(given)
        if chosen.sha256 != told.sha256:
            raise UsageError(
                f"{book.path} was read by the limit set {told.name}, and {given} is another or has changed since; "
                f"leave --limits off, or read it anew by that with visionwire archive --limits {given}"
            )
        return chosen, f"{chosen.name}: {chosen.title}"
    place = told.file or (told.name if told.name in known_limits() else None)
    if place is not None:
        with contextlib.suppress(LimitsError):  # the ledger is what is shown; its set is beside it
            chosen = load_limits(Path(place) if told.file else place)
            if chosen.sha256 == told.sha256:
                return chosen, f"{chosen.name}: {chosen.title}"
    missing = f"{place} is not as it was" if place else "where it is, the ledger does not say"
    return None, f"{told.name}, by which it was read ({missing}: no limits are drawn; --limits gives the set)"


def _print_not_read(found: Trends) -> None:
    """Name what was not read, why and what to do, and how many more there are."""
    if not found.reasons:
        return
    say(f"not read: {counted(sum(found.reasons.values()), 'file')}")
    for line in wanting_words(found.reasons):
        say(f"  {line}")
    for (message, code), rows in found.not_read_by_reason().items():
        say(f"  {message} ({code}):")
        for row in rows:
            copies = f" ({counted(row['files'], 'file')} of this content)" if row["files"] > 1 else ""
            say(f"    {row['path']}{copies}")
    more = sum(found.reasons.values()) - sum(row["files"] for row in found.not_read)
    if more:
        say(f"  and {more} more; all of them are in the rows that --csv writes")


def review(
    ledger: LedgerFile,
    photo: Annotated[str, typer.Argument(metavar="PHOTO", help="Path or SHA-256, as the ledger has it.")],
    decision: Annotated[str, typer.Option(metavar="accept|reject|retake", help="What was decided.")],
    by: Annotated[str, typer.Option(metavar="NAME", help="Who decided.")],
    reason: Annotated[str, typer.Option(metavar="WORDS", help="Why.")],
) -> None:
    """Write a person's decision beside a reading; nothing is ever written over, a later decision stands.

    Where the limit set asks for a second person, it stands once two people say the same.
    """
    from visionwire.archive.decisions import decide, decided_before, open_decision
    from visionwire.archive.files import name_of
    from visionwire.archive.schema import person_of
    from visionwire.archive.trends import CONTESTED, EARLIER

    decision = one_of("--decision", decision, DECISIONS)
    if not person_of(by) or not reason.strip():
        raise UsageError("--by and --reason must say something; name who decided and why")
    with contextlib.closing(_opened(ledger)) as book:
        found = book.contents_of(photo)
        if len(found) != 1:
            near = first_of(book.of_that_name(name_of(photo)))
            raise UsageError(
                f"{photo} is not in {ledger}{f', which has {near}' if near else ''}; give its path or its SHA-256 as "
                "visionwire trends --csv has it"
            )
        now = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
        sha256 = found.pop()
        _require_seen(book, photo, sha256, decision)
        before = decided_before(book, sha256)
        decide(book, sha256, decision, reason, by, now, None if photo == sha256 else photo)
        still_open, now_stands = open_decision(book, sha256), decided_before(book, sha256)
    say(f"{photo}: {decision}, by {by}")
    if still_open is not None:
        why = "another person decided otherwise" if still_open.endswith(CONTESTED) else "one person alone said so"
        say(f"  it does not stand yet, as {why}; it stands once a second person says {decision} too")
    elif now_stands is not None and now_stands[2] == EARLIER:
        say(f"  of two people one decided on an earlier reading; a second person has to say {decision} of this one too")
    if before is not None:
        what, who, on, named = before
        copy = "" if named in (None, photo) else f" of its copy {named}"
        say(f"  the decision before it, {what} by {who}, is kept; it was made on {on}{copy}")


def _require_seen(book: Ledger, photo: str, sha256: str, decision: str) -> None:
    """Check that nothing is accepted that is no picture: nobody can have seen it. What only ended may be looked at."""
    from visionwire.archive.work import ENDED

    ((state, code),) = book.ask("SELECT state, code FROM contents WHERE sha256 = ?", sha256)
    if decision == "accept" and state == "unreadable" and code not in ENDED:
        raise UsageError(f"{photo} is no picture that can be read, so nothing is in it to accept; say retake or reject")


def verify(ledger: LedgerFile) -> None:
    """Prove that the pictures are those that were read, and that no decision was changed; exit status 1 where not."""
    from visionwire.archive.decisions import broken_links, lost_decisions
    from visionwire.archive.files import sha256_of

    wrong, files = [], 0
    with contextlib.closing(_opened(ledger)) as book:
        broken, lost = broken_links(book), lost_decisions(book)
        ((decisions,),) = book.ask("SELECT COUNT(*) FROM dispositions")
        for path, sha256 in book.ask("SELECT path, sha256 FROM files ORDER BY path"):
            files += 1
            now, _, problem = sha256_of(path) if sha256 is not None else (None, 0, "")
            if now != sha256:
                wrong.append(f"{path}: {problem or 'its content is another than the one that was read'}")
    wrong += [f"decision {number}: it, or the one before it, was changed" for number in broken]
    # What a changed one was made on is not known.
    wrong += [_lost_words(one) for one in lost if one.number not in broken]
    for line in wrong:
        say(line)
    held = f"{counted(files, 'file')} and {counted(decisions, 'decision')} of people"
    unchanged = ", all unchanged" if files or decisions else f"; visionwire archive FOLDER --ledger {ledger} reads some"
    were = "it was" if len(wrong) == 1 else "they were"
    say(f"{ledger}: {held}{f', {len(wrong)} of them not as {were}' if wrong else unchanged}")
    if wrong:
        raise typer.Exit(ExitCode.NONCONFORMING)


def _lost_words(lost: Decision) -> str:
    once = "" if lost.path is None else f", once {lost.path},"
    return (
        f"decision {lost.number} ({lost.decision} by {lost.decided_by}): what it was made on{once} is in no file of "
        "the ledger any more, or could not be read from it at the last run; put that picture back, under a name of its "
        "own, and run visionwire archive"
    )


def replaced_count_words(count: int) -> str:
    """Write how many files hold something else than when a person decided on them, and what to do."""
    one = count == 1
    return (
        f"{counted(count, 'file')} {'has' if one else 'have'} other content than when a person decided on "
        f"{'it' if one else 'them'}: look at {'it' if one else 'them'} again with visionwire review"
    )


def _opened(path: Path) -> Ledger:
    from visionwire.archive import Ledger

    if path.is_file() and path.stat().st_size == 0:  # it would be made one
        raise ArchiveError(f"{path} is empty and no ledger; give the file that visionwire archive wrote")
    if not path.exists():
        raise ArchiveError(f"there is no ledger {path}; make one with visionwire archive FOLDER --ledger {path}")
    return Ledger(path)


def wanting_words(reasons: Mapping[str, int]) -> list[str]:
    """Write how many files want something that another run can give, and how, a line for each; none where none does."""
    from visionwire.archive.work import DIED, SHORT_OF_MEMORY, SHORT_OF_TIME

    parts = []
    for option, want, code in (("--limit", "time", SHORT_OF_TIME), ("--memory", "memory", SHORT_OF_MEMORY)):
        if count := reasons.get(code, 0):
            parts.append(
                f"{counted(count, 'file')} ended for want of {want}: visionwire archive with a larger {option} reads "
                f"{'it' if count == 1 else 'them'} again"
            )
    if count := reasons.get(DIED, 0):
        parts.append(
            f"reading {counted(count, 'file')} ended unexpectedly, most often for want of memory: visionwire archive "
            f"reads {'it' if count == 1 else 'them'} again, where that does not help with a larger --memory"
        )
    if count := reasons.get("no-scale", 0):
        its = "its" if count == 1 else "their"
        parts.append(
            f"in {counted(count, 'file')} no card was found and {its} wire is not known: tell it in a column wire_in "
            "of --metadata and run visionwire archive again (--wire would tell it for every photograph)"
        )
    return parts


def first_of(names: list[str]) -> str:
    """Write the first few of some names, and how many more there are."""
    more = f" and {len(names) - NAMED} more" if len(names) > NAMED else ""
    return f"{one_line(', '.join(names[:NAMED]))}{more}"


def states_words(counts: Mapping[str, int]) -> str:
    """Write how many files came to what."""
    nouns = ("reading", "refusal")  # the others are no things: unreadable, waiting
    return ", ".join(counted(count, state) if state in nouns else f"{count} {state}" for state, count in counts.items())


def files_words(states: Mapping[str, int], reasons: Mapping[str, int], copies: int) -> str:
    """Write how many files there are, in which states, and how many ended that may be read yet, by their codes.

    Copies among them are said: what is counted by content, as calls are, adds up to fewer.
    """
    from visionwire.archive.work import ends

    files = counted(sum(states.values()), "file")
    same = (
        f"; {copies} of them {'a copy' if copies == 1 else 'copies'}, counted once among photographs and calls"
        if copies
        else ""
    )
    return f"{files}, {states_words(ends(states, reasons))}{same}" if states else files
