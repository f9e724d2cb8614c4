"""The `target` command: write a sheet to print."""

from __future__ import annotations

from pathlib import Path

import click

from .errors import answer_errors
from .values import FilePath


@click.command("target")
@click.option("--sheet", "sheet_name", metavar="NAME", help="card, a6, a5 (the default), a4 or letter.")
@click.option(
    "--out",
    type=FilePath(),
    metavar="FILE.pdf",
    help="Where to write it; without it, align-NAME.pdf here.",
)
def target_command(sheet_name: str | None, out: Path | None) -> None:
    """Make the sheet: a vector PDF, to be printed at 100 % and cut out.

    The larger the sheet, the surer the answer; the card is for narrow tunnels. Each sheet has markers of
    its own, so a photo alone tells which it shows.
    """
    if out is not None and out.suffix.lower() != ".pdf":
        raise click.UsageError(f"--out must end in .pdf; found {out.name!r}.")
    with answer_errors(as_json=False):
        from ..target.pdf import write_sheet_pdf
        from ..target.sheets import DEFAULT_SHEET, SHEETS

        name = (sheet_name or DEFAULT_SHEET).lower()
        if name not in SHEETS:
            raise click.UsageError(f"There is no sheet called {name!r}. Choose one of: {', '.join(SHEETS)}.")
        written = write_sheet_pdf(name, out or Path(f"align-{name}.pdf"))
        click.echo(f"Wrote {written}.")
        click.echo("Print it at 100 % (“actual size”), then measure the printed rules: both must be 100 mm.")
        click.echo("If they measure 99.4 mm across and 99.7 mm along, say: align check ... --rule 99.4x99.7")
