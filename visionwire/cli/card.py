"""``visionwire card``: a reference card drawn to print."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from visionwire.cli.options import card_named
from visionwire.errors import OutputError, UsageError

DRAWN_AS = (".svg", ".pdf", ".png")
USUAL_DPI = 600


def card(
    name: Annotated[
        str | None, typer.Argument(metavar="[NAME|FILE.toml]", help="Which card to draw; none lists them.")
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option("--out", "-o", metavar="FILE", help="Where to: .pdf, .svg or .png. [default: NAME.pdf]"),
    ] = None,
    measured: Annotated[
        float | None,
        typer.Option(metavar="MM", help="What a rule read on the bar of an earlier print; corrects for the printer."),
    ] = None,
    dpi: Annotated[int | None, typer.Option(help="Dots per inch of a .png.  [default: 600]")] = None,
) -> None:
    """Draw a reference card at its exact size, to print, to check with a rule and to lay beside the wire."""
    from calibration import known_cards, load_card

    if name is None and (out, measured, dpi) != (None, None, None):
        raise UsageError(f"no card was named; name one of {', '.join(known_cards())}, or leave the options out")
    if name is None:
        for known in known_cards():
            entry = load_card(known)
            print(f"{known:8}{entry.width_mm:6.1f} x {entry.height_mm:.1f} mm  {entry.title}")
        return
    _draw(name, out, measured, dpi)


def _draw(name: str, out: Path | None, measured_mm: float | None, dpi: int | None) -> None:
    from calibration import draw_pdf, draw_png, draw_svg
    from calibration.card import bar_correction

    chosen = card_named(name)
    if measured_mm is not None:
        try:
            bar_correction(chosen, measured_mm)
        except ValueError as error:
            raise UsageError(f"--measured: {error}") from error
    out = out or Path(f"{chosen.name}.pdf")
    suffix = out.suffix.lower()
    if suffix not in DRAWN_AS:
        raise UsageError(f"a card is drawn as {', '.join(DRAWN_AS)}, not as {out.name!r}; give --out such a name")
    if dpi is not None and suffix != ".png":
        raise UsageError(f"--dpi is of a .png, and {out.name} is none; leave it out, or give --out such a name")
    try:
        if suffix == ".svg":
            content = draw_svg(chosen, measured_mm).encode("utf-8")
        elif suffix == ".pdf":
            content = draw_pdf(chosen, measured_mm)
        else:
            content = draw_png(chosen, USUAL_DPI if dpi is None else dpi, measured_mm)
    except ValueError as error:
        raise UsageError(f"{error}") from error
    try:
        out.write_bytes(content)
    except OSError as error:
        raise OutputError(f"{out} cannot be written: {error.strerror}; give --out another place") from error
    print(out)
    print(
        f"Print it at 100 % on stiff matt stock and hold a rule to the bar: it must read {chosen.bar_mm:.1f} mm "
        f"between its end ticks. {_if_it_does_not(chosen.bar_mm, measured_mm)}",
        file=sys.stderr,
    )


def _if_it_does_not(bar_mm: float, measured_mm: float | None) -> str:
    """Return what to do then: a card that was corrected once is corrected further, not anew."""
    if measured_mm is None:
        return "If not, draw it again with --measured and what you read."
    return f"If it reads R, draw it again with --measured {measured_mm:g} x R / {bar_mm:g}."
