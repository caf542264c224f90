"""The local page against those who mean harm: every route, over a real socket, with whatever can be sent to it."""

from __future__ import annotations

import itertools
import logging
import re
import socket
import tempfile
import time
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import pytest
from local_page import running
from page_client import FORM_TYPE
from small_walks import snapshot, square, walk
from werkzeug.datastructures import ImmutableMultiDict
from werkzeug.routing import Rule

from fieldcomb.coverage.actions.add import add
from fieldcomb.coverage.actions.given_walks import WalksToAdd, WalkToAdd
from fieldcomb.coverage.actions.new_site import new_site
from fieldcomb.coverage.jobs.job_protocol import DRAW, Order, read_order
from fieldcomb.coverage.site.options_fields import TypedAt
from fieldcomb.coverage.site.settings import Typed
from fieldcomb.coverage.web.forms import form_fields
from fieldcomb.coverage.web.server import Service
from fieldcomb.tracks.errors import UsageError

HOSTILE_NAMES = (
    "..", ".", "%2e%2e", "..%2f..%2fsecret.txt", "..%5c..%5csecret.txt", "%2e%2e%2fsecret.txt",
    "..%252f..%252fsecret.txt",
    "%00", "field%00", "secret.txt%00.html", "%0d%0aSet-Cookie:%20a=b", "%ff%fe", "%c0%ae%c0%ae%2fsecret.txt",
    "%ed%a0%80", "%f4%90%80%80", "%e2%80%ae", "%ef%bc%8e%ef%bc%8e%ef%bc%8fsecret.txt", "e%cc%81", "FIELD", "field.",
    "field%20", "other%2f..%2ffield", "~root", "C:", "CON", "%3cscript%3e", "{{7*7}}", "%25s%25n", "*", "a" * 5000,
    "%f0%9f%98%80" * 500, "-1", "9" * 400, "NaN", ".lock", ".commit", "site.toml", "outings.toml", "[", "//", "%2f%2f",
)  # fmt: skip
GOOD = {
    **{"key": "field", "outing_id": "2026-03-07a", "name": "map.html", "job_id": "nosuch", "token": "x", "plan": "1"},
    **{"whom": "club"},
}


@dataclass
class Ground:
    """A running page, and the folder around the served one with something secret in it."""

    service: Service
    base: Path
    before: dict[str, bytes | None]
    put_down: Path

    @property
    def host(self) -> str:
        """The host and port of the page."""
        return re.sub(r"http://|/enter.*", "", self.service.addresses.here)

    @property
    def key(self) -> str:
        """The header that has the key."""
        return f"Cookie: {self.service.gate.cookie_name}={self.service.gate.session}"

    def rules(self) -> list[Rule]:
        """Every route of the application, whichever there are."""
        return sorted(self.service.app.url_map.iter_rules(), key=str)

    def path(self, rule: Rule, values: dict[str, str]) -> str:
        """The address of a route with these values, put in as they are."""
        filled = re.sub(r"<(?:[^:<>]*:)?([^<>]+)>", lambda match: values[match[1]], rule.rule)
        return self.service.gate.prefix + filled

    def head(self, method: str, path: str, *more: str, **changed: str | None) -> bytes:
        """The head of a request as a page of ours sends it, with headers changed or, by None, left out."""
        headers = {"Host": self.host, "Origin": f"http://{self.host}", "Connection": "close", "Cookie": self.key[8:]}
        lines = [f"{k}: {v}" for k, v in {**headers, **changed}.items() if v is not None]
        return "\r\n".join([f"{method} {path} HTTP/1.1", *lines, *more, "", ""]).encode("latin-1")

    def send(self, data: bytes, *, end: bool = True) -> bytes:
        """Send bytes and return what comes back until the page closes the connection."""
        host, _, port = self.host.partition(":")
        answer = b""
        with socket.create_connection((host, int(port)), timeout=60) as wire:
            try:
                wire.sendall(data)
                if end:
                    wire.shutdown(socket.SHUT_WR)
                while chunk := wire.recv(65536):
                    answer += chunk
            except ConnectionError:
                pass  # the page closed it before all was sent
        return answer

    def orders(self) -> list[Order]:
        """Every order that was given so far, once the last of them is carried out."""
        last = None
        while last is None or not last.is_over:
            with suppress(UsageError):  # too many are waiting
                last = self.service.jobs.get(last.id) if last else self.service.jobs.submit(Order(DRAW, str(self.base)))
            time.sleep(0.01)
        orders = map(read_order, self.put_down.read_text().splitlines())
        return [order for order in orders if order.site != last.order.site]


@pytest.fixture
def ground(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
    request: pytest.FixtureRequest,
) -> Iterator[Ground]:
    """Serve a folder; in the end nothing outside it was touched, no error was logged, and honest work is served.

    A test may give the page other limits than its own.
    """
    (tmp_path / "temp").mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "temp"))
    base = tmp_path / "base"
    (base / "sites").mkdir(parents=True)
    (base / "secret.txt").write_text("the secret")
    (base / "edge.geojson").write_text(square(0, 0, 20, 20))
    (base / "walk.gpx").write_text(walk())
    for site in ("field", "other"):
        new_site(base / "sites" / site, boundary=str(base / "edge.geojson"), say=lambda _: None)
    add(base / "sites" / "field", WalksToAdd([WalkToAdd(str(base / "walk.gpx"))], Typed(coil="28cm")), lambda _: None)
    (base / "sites" / "field" / "out").mkdir(exist_ok=True)
    (base / "sites" / "field" / "out" / "map.html").write_text("<p>the map</p>")
    before = snapshot(base)
    caplog.set_level(logging.WARNING)
    put_down = tmp_path / "orders"
    puts_down = ("tee", "-a", str(put_down))  # each order, in place of the work on a site
    with running(base / "sites", worker=puts_down, **getattr(request, "param", {})) as service:
        ground = Ground(service, base, before, put_down)
        yield ground
        assert b" 200 " in ground.send(ground.head("GET", ground.service.gate.prefix + "/site/field/")).splitlines()[0]
    assert snapshot(base) == before
    assert [record.getMessage() for record in caplog.records if record.levelno >= logging.ERROR] == []
    assert [record.exc_text for record in caplog.records if record.exc_info] == []
    assert list((tmp_path / "temp").iterdir()) == []


def checked(answer: bytes) -> int:
    """Return the code of an answer, which tells nothing secret and is no failure of ours; 0 for none at all."""
    for word in (b"the secret", b"Traceback", b"Internal Server Error", b"zone ="):
        assert word not in answer, answer[:2000]
    if not answer:
        return 0
    code = int(answer.split(b" ", 2)[1])
    assert code < 500, answer[:2000]
    return code


def test_no_name_in_an_address_leads_out_or_breaks_a_page(ground: Ground) -> None:
    """Every route answers every hostile name, in each place of its address, with a page or a refusal."""
    for rule in ground.rules():
        for place, name in itertools.product(sorted(rule.arguments), HOSTILE_NAMES):
            assert set(rule.arguments) <= set(GOOD), f"say what a good value of {rule.arguments} is"
            path = ground.path(rule, {**GOOD, place: name})
            for method in sorted((rule.methods or set()) & {"GET", "POST"}):
                checked(ground.send(ground.head(method, path, "Content-Length: 0")))


@pytest.mark.parametrize(
    "changed",
    [
        {"Host": None}, {"Host": "stranger.example"}, {"Host": "127.0.0.1"}, {"Host": "["}, {"Host": "\xff"},
        {"Host": "a" * 9000}, {"Origin": "null"}, {"Origin": "http://stranger.example"}, {"Origin": "\xff"},
        {"Cookie": None}, {"Cookie": ""}, {"Cookie": "\xff=\xff"}, {"Cookie": "a=b;" * 3000},
        {"Cookie": "fieldcomb=wrong"}, {"Sec-Fetch-Site": "cross-site"}, {"Sec-Fetch-Site": "\x7f"},
    ],
)  # fmt: skip
def test_no_route_answers_a_stranger(ground: Ground, changed: dict[str, str | None]) -> None:
    """With a foreign host, a foreign origin, or no key or a wrong one, every route refuses, and says no more."""
    for rule in ground.rules():
        for method in ("GET", "POST", "HEAD", "PUT", "DELETE", "OPTIONS", "TRACE", "CONNECT", "get", "X" * 500):
            answer = ground.send(ground.head(method, ground.path(rule, GOOD), **changed))
            assert 400 <= checked(answer) < 500
            assert b"field" not in answer.partition(b"\r\n\r\n")[2].replace(b"fieldcomb", b"")


def test_a_wrong_cookie_of_the_right_name_is_refused(ground: Ground) -> None:
    """A cookie with this page's name and any other value opens no route."""
    name = ground.service.gate.cookie_name
    for rule, value in itertools.product(
        ground.rules(), ("", "x", "\xff", '"\\377"', ground.service.gate.session[:-1])
    ):
        for method in ("GET", "POST"):
            answer = ground.send(ground.head(method, ground.path(rule, GOOD), Cookie=f"{name}={value}"))
            assert 400 <= checked(answer) < 500


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "CONNECT", "BREW", "post", "\xff"])
def test_other_methods_are_refused_everywhere(ground: Ground, method: str) -> None:
    """Even with the key, nothing but looking and sending a form is possible at any route."""
    for rule in ground.rules():
        answer = ground.send(ground.head(method, ground.path(rule, GOOD), "Content-Length: 0"))
        assert 400 <= checked(answer) < 500


@pytest.mark.parametrize(
    ("length", "body"),
    [
        (None, b"a=b"), ("-1", b"a=b"), ("9" * 30, b""), ("1e3", b"a=b"), ("+3", b"a=b"), ("3, 3", b"a=b"), ("", b""),
        ("3\r\nContent-Length: 4", b"a=b"), ("1000", b"a=b"), ("1", b"a=b" * 100), ("0x3", b"a=b"), ("\xb2", b"a"),
    ],
)  # fmt: skip
def test_no_length_of_a_body_breaks_a_route(ground: Ground, length: str | None, body: bytes) -> None:
    """A length that is absent, negative, huge, no number, or not that of the body ends in an answer or a close."""
    for rule in ground.rules():
        more = () if length is None else (f"Content-Length: {length}",)
        for kind in ("application/x-www-form-urlencoded", "multipart/form-data; boundary=x", "multipart/form-data"):
            head = ground.head("POST", ground.path(rule, GOOD), *more, f"Content-Type: {kind}")
            for code in re.findall(rb"^HTTP/1\.[01] (\d+)", ground.send(head + body), re.MULTILINE):
                assert int(code) < 500


@pytest.mark.parametrize(
    "chunks", [b"zz\r\n", b"-1\r\na\r\n", b"f" * 40 + b"\r\n", b"3\r\na=b\r\n0\r\n\r\n", b"3\r\na"]
)
def test_no_chunk_breaks_a_route(ground: Ground, chunks: bytes) -> None:
    """A body in chunks, whole, broken off or with sizes that cannot be, ends in an answer or a closed door."""
    for rule in ground.rules():
        head = ground.head("POST", ground.path(rule, GOOD), "Transfer-Encoding: chunked")
        checked(ground.send(head + chunks))


def test_many_and_long_headers_are_refused(ground: Ground) -> None:
    """A head with thousands of lines, or of one that never ends, is refused, and so is one that is no head."""
    path = ground.service.gate.prefix + "/"
    for more in (["X-A: b"] * 20_000, ["X-A: " + "b" * 2_000_000], ["X"], [": b"], [" X-A: b"], ["X-A: \x00"]):
        checked(ground.send(ground.head("GET", path, *more)))
    for raw in (
        b"\x00" * 500,
        b"GET\r\n\r\n",
        b"\r\n\r\n",
        b"GET / HTTP/9.9\r\n\r\n",
        b"\x16\x03\x01\x02\x00",
        b"a" * 300_000,
    ):
        checked(ground.send(raw))


HOSTILE_TEXTS = (b"..", b"\x00", b"\xff\xfe", b"\xed\xa0\x80", b"../../secret", b"a" * 5000,
                 "\U0001f600".encode() * 400,
                 b"\xe2\x80\xae", b"NaN", b"1e999", b"9" * 5000, b"-1", b"{{7*7}}", b"\r\n", b" ", b"CON",
                 b"/etc")  # fmt: skip
# What a walk is added with: looked up in a copy of the form, so that no form can note it.
WALK_FIELDS = {"known_coil", "coil-unit", *(field.key for field in form_fields(TypedAt.ADDED))}


def test_no_text_in_a_form_breaks_a_route(ground: Ground, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every route that takes a form refuses or takes whatever stands in each field that it asks for, or beside them."""
    asked: set[str] = set()

    class Noting(ImmutableMultiDict):  # type: ignore[type-arg]
        """A form that notes which of its fields a route asks for."""

        def __getitem__(self, key: str) -> Any:
            asked.add(str(key))
            return super().__getitem__(key)

        def __contains__(self, key: object) -> bool:
            asked.add(str(key))
            return super().__contains__(key)

        def __iter__(self) -> Iterator[str]:
            asked.update(WALK_FIELDS)
            return super().__iter__()

    monkeypatch.setattr(ground.service.app.request_class, "parameter_storage_class", Noting)

    def send(rule: Rule, fields: dict[bytes, bytes], *, walk: bool = True) -> None:
        pairs = {b"name": b"good", b"way": b"draw", **fields}
        if walk:
            part = b'--x\r\nContent-Disposition: form-data; name="%s"%s\r\n\r\n%s\r\n'
            parts = [part % (name, b"", text) for name, text in pairs.items()]
            body, kind = b"".join([*parts, part % (b"tracks", b'; filename="a"', b"a")]) + b"--x--\r\n", FORM_TYPE
        else:
            body, kind = urlencode(pairs).encode(), "application/x-www-form-urlencoded"
        more = (f"Content-Length: {len(body)}", f"Content-Type: {kind}")
        checked(ground.send(ground.head("POST", ground.path(rule, GOOD), *more) + body))

    every = set[str]()
    for rule in (rule for rule in ground.rules() if "POST" in (rule.methods or set())):
        send(rule, dict.fromkeys(HOSTILE_TEXTS, b"x"), walk=False)
        asked.clear()
        tried = set[str]()
        send(rule, {})
        while new := asked - tried:  # what is answered to one field may be asked of the next
            for field, text in itertools.product(sorted(new), HOSTILE_TEXTS):
                send(rule, {field.encode(): text})
            tried |= new
        every |= tried
    assert {"name", "areas", "corners", "coil", "note", "left_out", "sweeps", "depth", "each", "find"} <= every
    assert not every & {text.decode(errors="replace") for text in HOSTILE_TEXTS}
    sites = ground.base / "sites"
    assert {Path(order.site).parent for order in ground.orders()} == {sites.resolve()}


def test_no_name_of_an_upload_leads_out(ground: Ground) -> None:
    """Whatever a file is called, it waits in the folder for uploads alone, and its shown name is no path."""
    names = (
        b"../../secret.txt",
        b"..\\..\\x",
        b"\x00",
        b"\xff",
        b"a" * 9000,
        b"\xe2\x80\xaex",
        b"/etc/passwd",
        b'a";b="c',
    )
    for name in names:
        for given in (b'filename="' + name + b'"', b"filename*=utf-8''" + name, b"filename*=nosuch''" + name):
            body = b'--x\r\nContent-Disposition: form-data; name="tracks"; ' + given + b"\r\n\r\nno walk\r\n--x--\r\n"
            more = (f"Content-Length: {len(body)}", "Content-Type: multipart/form-data; boundary=x")
            path = ground.service.gate.prefix + "/site/field/add"
            checked(ground.send(ground.head("POST", path, *more) + body))
    held = [file for order in ground.orders() for file in order.held]
    assert held and {Path(file.path).parent for file in held} == {ground.service.uploads.folder}
    assert not any(set(file.name) & set("/\\\x00") for file in held)


@pytest.mark.parametrize("ground", [{"most_request_s": 4.0}], indirect=True)
def test_slow_senders_do_not_keep_others_waiting(ground: Ground) -> None:
    """While many connections send a byte now and then, every page is served; and the slow ones are cut off."""
    host, _, port = ground.host.partition(":")
    path = ground.service.gate.prefix + "/site/field/"
    slow = [socket.create_connection((host, int(port)), timeout=60) for _ in range(20)]
    body = ground.head("POST", path + "add", "Content-Length: 100000")
    try:
        for number, wire in enumerate(slow):
            wire.sendall(body if number % 3 == 0 else body[:50] if number % 3 == 1 else b"G")
        for _ in range(5):
            for wire in slow:
                with suppress(OSError):  # cut off already
                    wire.sendall(b"x")
            assert checked(ground.send(ground.head("GET", path))) == 200
        for wire in slow:
            with pytest.raises(OSError):
                while True:
                    wire.sendall(b"x")
                    time.sleep(0.001)
    finally:
        for wire in slow:
            wire.close()
