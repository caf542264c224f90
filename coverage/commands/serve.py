"""The command that starts the local page."""

import signal
import sys
from pathlib import Path

import click

from fieldcomb.coverage.commands.options import GivenOnce, path
from fieldcomb.tracks.errors import UsageError


@click.command("serve", cls=GivenOnce)
@click.argument("folder", type=path, metavar="[SITE]", default=".")
@click.option("--share", is_flag=True, help="Also let in a phone on the home network; prints a QR code for it.")
@click.option(
    "--port",
    type=click.IntRange(0, 65535),
    default=0,
    metavar="N",
    help="Default: any free port; when shared 48174, if it is free.",
)
def serve_command(folder: str, share: bool, port: int) -> None:
    """Do all of this on a page in your browser.

    SITE is a site folder, or a folder of sites; the folder you are in if not given. Prints an address with a key in
    it: open it in your browser. Only this machine can reach it, unless you ask for --share. Stop it with Ctrl+C.

    \b
    Example:
      fieldcomb serve my-sites
    """
    try:
        from fieldcomb.coverage.web.server import Service, home_address
    except ModuleNotFoundError as error:
        if (error.name or "").partition(".")[0] not in ("flask", "waitress", "segno", "werkzeug"):
            raise
        hint = "Install fieldcomb with them: pip install '.[web]'"
        raise UsageError(f"the page needs packages that are not installed ({error.name})", hint=hint) from error
    from fieldcomb.coverage.commands.console import say
    from fieldcomb.coverage.site.old_copies import clear_old_copies

    clear_old_copies()
    service = Service(Path(folder), shared_at=home_address() if share else None, port=port)
    say("Open this address in your browser. The key in it is yours alone:")
    click.echo(service.addresses.here)
    sys.stdout.flush()
    if service.addresses.shared:
        say("On a phone in the same network, point its camera here or type the address below:")
        service.addresses.qr_terminal(sys.stderr)
        say(service.addresses.shared)
        say(
            "Anyone with this address can see and change these sites, and anyone on the network can read what is "
            "sent. Use it only at home"
        )
    say("Stop it with Ctrl+C")
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))  # ended by the system, it still clears its uploads away
    service.run()
    say("The page is closed")
