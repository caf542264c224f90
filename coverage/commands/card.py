"""The command that makes the page to print and carry."""

from pathlib import Path

import click

from fieldcomb.coverage.commands.options import GivenOnce, path
from fieldcomb.tracks.errors import SiteError


@click.command("card", cls=GivenOnce)
@click.argument("site", type=path, metavar="[SITE]", required=False)
@click.option(
    "-o",
    "out",
    type=path,
    metavar="FILE",
    help="Output file. Default: card.html in SITE/out, or in this folder without a SITE.",
)
def card_command(site: str | None, out: str | None) -> None:
    """Make a page to print and carry: recorder settings, the marks that fieldcomb reads, and cautions.

    With a SITE it has the site's own words for marks and its coils. Print it from any browser; it fits on one page.

    \b
    Example:
      fieldcomb card north-field
    """
    from fieldcomb.coverage.actions.outputs import REPORT_FILE, own_out, write_outputs
    from fieldcomb.coverage.commands.console import say
    from fieldcomb.coverage.pages.card import card_html
    from fieldcomb.coverage.site.folder import CARD_FILE, opened, shown

    settings, advice = None, ""
    if site is not None:
        with opened(Path(site), say, reading=True) as found:
            settings, advice = found.settings, _advice(own_out(Path(site)) / REPORT_FILE)
    file = Path(out) if out else (own_out(Path(site)) if site else Path()) / CARD_FILE
    if file.is_dir():
        raise SiteError("is a folder, not a file", file=shown(file), hint="Name a file with -o, such as card.html")
    write_outputs(file.parent, {file.name: card_html(settings, advice).encode()})
    say(f"The card is {shown(file)}. Print it from your browser")


def _advice(report: Path) -> str:
    from fieldcomb.coverage.report.advice import advice_of

    try:
        return advice_of(report.read_bytes())
    except OSError:
        return ""  # no map has been drawn yet
