"""The local page for tests: its application with a line of orders that only writes them down, and a whole server."""

from __future__ import annotations

import os
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from flask.testing import FlaskClient

from fieldcomb.coverage.jobs.job_protocol import Order
from fieldcomb.coverage.jobs.job_queue import Job
from fieldcomb.coverage.web.access import Gate
from fieldcomb.coverage.web.app import make_app
from fieldcomb.coverage.web.responses import Desk
from fieldcomb.coverage.web.server import Service
from fieldcomb.coverage.web.site_views import SiteRoot
from fieldcomb.coverage.web.uploads import Uploads

HOST = "127.0.0.1:5001"
ORIGIN = f"http://{HOST}"


class Noted:
    """Takes orders as ``JobQueue`` does, and carries out none of them; ``held`` has the bytes of their uploads."""

    def __init__(self) -> None:
        self.orders: list[Order] = []
        self.held: list[list[bytes]] = []

    def submit(self, order: Order) -> Job:
        """Write an order down."""
        self.orders.append(order)
        self.held.append([Path(one.path).read_bytes() for one in order.held])
        return Job("noted", order)

    def get(self, _job_id: str) -> None:
        """Know of no job."""

    def working_on(self, _site: str) -> None:
        """Work on nothing."""


class Page:
    """The application, asked as its own pages ask it."""

    def __init__(self, root: Path, temp: Path, **given: int) -> None:
        self.jobs, self.gate = Noted(), Gate(frozenset({HOST}))
        self.uploads = Uploads(str(temp), **given)
        self.app = make_app(Desk(SiteRoot(root), self.jobs, self.uploads), self.gate)  # type: ignore[arg-type]
        self.client: FlaskClient = self.app.test_client(use_cookies=False)

    def ask(self, method: str, path: str, **given: Any) -> Any:
        """Send a request with the key; headers that are given go before those of a page, and None takes one away."""
        headers = {
            "Host": HOST,
            "Origin": ORIGIN if method == "POST" else None,
            "Sec-Fetch-Site": "same-origin",
            "Cookie": f"{self.gate.cookie_name}={self.gate.session}",
        } | given.pop("headers", {})
        kept = {name: value for name, value in headers.items() if value is not None}
        return self.client.open(
            path,
            method=method,
            headers=kept,
            buffered=True,
            base_url=f"http://{kept['Host']}{self.gate.prefix}",
            **given,
        )

    def get(self, path: str, **given: Any) -> Any:
        """Ask for a page."""
        return self.ask("GET", path, **given)

    def post(self, path: str, data: dict[str, Any] | None = None, **given: Any) -> Any:
        """Send a form."""
        return self.ask("POST", path, data=data or {}, content_type="multipart/form-data", **given)


def lasting_port() -> int:
    """A port that nobody else is given while a server is away from it: systems hand out those above 30000 alone."""
    for port in range(11_000 + 7 * os.getpid() % 18_000, 30_000):
        with suppress(OSError), socket.create_server(("127.0.0.1", port)):
            return port
    raise AssertionError("all ports are taken")


@contextmanager
def running(root: Path, **given: Any) -> Iterator[Service]:
    """Run a whole server in a thread."""
    service = Service(root, **given)
    thread = threading.Thread(target=service.run, daemon=True)
    thread.start()
    try:
        yield service
    finally:
        service.stop()
        thread.join(120)
        assert not thread.is_alive()
