"""Starts the local page: sockets on this machine alone unless sharing was asked for, the secret address, the server."""

import ipaddress
import socket
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

import segno
from waitress.channel import HTTPChannel
from waitress.parser import HTTPRequestParser, ParsingError
from waitress.server import create_server
from waitress.wasyncore import close_all

from fieldcomb.coverage.jobs.job_queue import WORKER, JobQueue
from fieldcomb.coverage.web.access import ENTRY, READING, Gate
from fieldcomb.coverage.web.app import ROOM_FOR_FIELDS_BYTES, make_app
from fieldcomb.coverage.web.responses import Desk
from fieldcomb.coverage.web.routes import outing_ids_at
from fieldcomb.coverage.web.site_views import SiteRoot
from fieldcomb.coverage.web.uploads import MOST_REQUEST_BYTES, Uploads
from fieldcomb.tracks.errors import UsageError
from fieldcomb.tracks.values import dataclass

HERE = "127.0.0.1"
MOST_SILENCE_S = 60  # a connection that says nothing for so long is closed
MOST_REQUEST_S = 900.0  # for one whole upload
THREADS = 6
MOST_CONNECTIONS = 60
# Tried first when the page is shared, so that a phone finds what waits on it again after a new start: a browser keeps
# it by address and port. Not assigned to anything.
SHARED_PORT = 48174
# Any private address does: nothing is sent to it, the system only says which of its own it would send from.
SOMEWHERE_PRIVATE = ("10.255.255.255", 9)


@dataclass(frozen=True, slots=True)
class Addresses:
    """Where the page is to be had; ``shared`` is None unless a phone may come in."""

    here: str
    shared: str | None

    def qr_terminal(self, out: Any) -> None:
        """Draw the shared address as a QR code on a terminal."""
        segno.make(self.shared or self.here, error="m").terminal(out, compact=True)


class Service:
    """The running page.

    root : one site folder, or a folder of sites.
    shared_at : this machine's address in the home network, if other machines may come in by it.
    port : 0 takes a free one; when shared the same as last time, if that is free.
    most_request_s : seconds that one whole upload may take.
    worker : the command that carries out one order, as ``JobQueue`` takes it.

    Raises SiteError, UsageError: the folder cannot be served, or a port is not there.
    """

    def __init__(
        self,
        root: Path,
        *,
        shared_at: str | None = None,
        port: int = 0,
        most_request_s: float = MOST_REQUEST_S,
        worker: Sequence[str] = WORKER,
    ) -> None:
        served = SiteRoot(root)
        sockets = _sockets(shared_at, port)
        hosts = ["{}:{}".format(*sock.getsockname()[:2]) for sock in sockets]
        number = hosts[0].rpartition(":")[2]
        self.gate = Gate(frozenset({*hosts, f"localhost:{number}"}))
        self.addresses = Addresses(self._address(hosts[0]), self._address(hosts[1]) if shared_at else None)
        self.uploads = Uploads()
        self.jobs = JobQueue(lambda order: self.uploads.drop(order.held), outing_ids_at, worker)
        qr = ""
        if self.addresses.shared:
            qr = segno.make(self.addresses.shared, error="m").svg_inline(omitsize=True)
        self.app = make_app(Desk(served, self.jobs, self.uploads, self.addresses.shared or "", qr), self.gate)
        parts: dict[int, Any] = {}
        self._server = create_server(
            self.app,
            map=parts,
            sockets=sockets,
            threads=THREADS,
            connection_limit=MOST_CONNECTIONS,
            channel_timeout=MOST_SILENCE_S,
            max_request_body_size=MOST_REQUEST_BYTES + ROOM_FOR_FIELDS_BYTES,
            ident="",
            url_prefix=self.gate.prefix,
            clear_untrusted_proxy_headers=True,
        )
        self._parts = parts
        self._listening = [one for one in parts.values() if hasattr(one, "channel_class")]
        channel = _channel_class(self.gate, most_request_s)
        for one in self._listening:
            one.channel_class = channel

    def _address(self, host: str) -> str:
        return f"http://{host}{ENTRY}{self.gate.token}"

    def run(self) -> None:
        """Answer until ``stop`` is called or the process is interrupted; then remove the uploads that wait."""
        try:
            self._server.run()
        finally:
            self._close_all()
            self.jobs.close()
            self.uploads.close()

    def stop(self) -> None:
        """End ``run``, from another thread."""
        self._listening[0].trigger.pull_trigger(self._close_all)

    def _close_all(self) -> None:
        close_all(self._parts)


def _sockets(shared_at: str | None, port: int) -> list[socket.socket]:
    if shared_at is None:
        return [_listening(HERE, port)]
    if port == 0:
        with suppress(UsageError):
            return _pair(shared_at, SHARED_PORT)
    return _pair(shared_at, port)


def _pair(shared_at: str, port: int) -> list[socket.socket]:
    first = _listening(HERE, port)
    try:
        return [first, _listening(shared_at, first.getsockname()[1])]
    except BaseException:
        first.close()
        raise


def _listening(address: str, port: int) -> socket.socket:
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        # On Windows that name would let another program take the port over; there this one keeps it.
        listening.setsockopt(socket.SOL_SOCKET, getattr(socket, "SO_EXCLUSIVEADDRUSE", socket.SO_REUSEADDR), 1)
        listening.bind((address, port))
    except (OSError, OverflowError) as error:
        listening.close()
        problem = f"port {port} of {address} is not available"
        raise UsageError(problem, hint="Leave --port out to use a free one") from error
    return listening


def home_address(ask: Callable[[], str] | None = None) -> str:
    """Return this machine's address in the home network; UsageError when there is none, or it is a public one."""
    address = (ask or _own_address)()
    given = ipaddress.ip_address(address)
    if given.is_loopback or given.is_unspecified:
        raise UsageError("no home network was found", hint="Join the network that the phone is in, and start again")
    if not given.is_private:
        hint = "Only home-network addresses are shared; anyone could reach this one"
        raise UsageError(f"this machine's address {address} is a public one", hint=hint)
    return address


def _own_address() -> str:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
        try:
            asking.connect(SOMEWHERE_PRIVATE)
            return str(asking.getsockname()[0])
        except OSError:
            return "0.0.0.0"


def _channel_class(gate: Gate, most_request_s: float) -> type[Any]:
    """Return the web server's channel with two more limits: who may send a body at all, and for how long."""

    class Parser(HTTPRequestParser):  # type: ignore[misc]  # waitress has no types
        """Refuses a body before the first byte of it is taken, unless the request is one of our own pages'."""

        def parse_header(self, header_plus: bytes) -> None:
            super().parse_header(header_plus)
            if self.command in READING and not self.chunked and not self.content_length:
                return
            names = {"Host": "HOST", "Origin": "ORIGIN", "Sec-Fetch-Site": "SEC_FETCH_SITE", "Cookie": "COOKIE"}
            headers = {name: self.headers[key] for name, key in names.items() if key in self.headers}
            if self.command in READING or gate.refusal(self.command, self.path, headers) is not None:
                raise ParsingError("This request was refused")

    class Channel(HTTPChannel):  # type: ignore[misc]  # waitress has no types
        """Closes a connection whose request takes too long to arrive, however busily it does."""

        parser_class = Parser
        begun_s: float | None = None

        def received(self, data: bytes) -> bool:
            now_s = time.monotonic()
            if self.request is None:
                self.begun_s = now_s
            elif self.begun_s is not None and now_s - self.begun_s > most_request_s:
                self.handle_close()
                return False
            return bool(super().received(data))

    return Channel
