"""Who is let in to the local page, and what its answers allow."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from local_page import HOST, Page
from small_walks import square

from fieldcomb.coverage.actions.new_site import new_site
from fieldcomb.coverage.web.access import KEPT_A_DAY, Gate, new_secret

ADDRESSES = (
    "/",
    "/new",
    "/card",
    "/site/field/",
    "/site/field/card",
    "/own/serve.js",
    "/job/x",
    "/site/field/file/map.html",
)
POSTS = (
    "/new",
    "/site/field/add",
    "/site/field/draw",
    "/job/x/stop",
    "/site/field/outing/a",
    "/site/field/outing/a/left-out",
)


@pytest.fixture
def page(tmp_path: Path) -> Page:
    """Serve a folder with one site."""
    root, temp = tmp_path / "sites", tmp_path / "temp"
    root.mkdir()
    temp.mkdir()
    (tmp_path / "edge.geojson").write_text(square(0, 0, 20, 20))
    new_site(root / "field", boundary=str(tmp_path / "edge.geojson"), say=lambda _: None)
    return Page(root, temp)


@pytest.mark.parametrize("path", ADDRESSES)
def test_nothing_is_shown_without_the_key(page: Page, path: str) -> None:
    """Whoever has not opened the printed address sees nothing, not even which sites there are."""
    for cookie in (None, "", "fieldcomb-5001=", f"fieldcomb-5001={new_secret()}", f"other={page.gate.session}"):
        answer = page.get(path, headers={"Cookie": cookie})
        assert answer.status_code == 403
        assert b"field" not in answer.data.replace(b"fieldcomb", b"")


@pytest.mark.parametrize(
    "host", ["evil.example", "evil.example:5001", "127.0.0.1", "127.0.0.1:80", "127.0.0.1.evil.example:5001"]
)
def test_a_name_that_was_made_to_point_here_is_refused(page: Page, host: str) -> None:
    """A stranger's name that resolves to this machine gets nothing, though the browser sends the key along."""
    assert page.get("/", headers={"Host": host}).status_code == 403
    entry = f"/enter/{page.gate.token}"
    assert page.get(entry, headers={"Host": host, "Cookie": None}).status_code == 403


@pytest.mark.parametrize("path", POSTS)
def test_a_form_of_another_page_is_refused(page: Page, path: str) -> None:
    """Another page in the same browser can send no form to this one, nor can one that hides where it comes from."""
    for origin in ("http://evil.example", "http://127.0.0.1:5002", "https://127.0.0.1:5001", "null", "", None):
        answer = page.post(path, headers={"Origin": origin})
        assert answer.status_code == 403, origin
    assert page.post(path, headers={"Sec-Fetch-Site": "cross-site"}).status_code == 403
    assert page.post(path, headers={"Sec-Fetch-Site": "same-site"}).status_code == 403
    assert page.jobs.orders == []


def test_another_page_cannot_read_either(page: Page) -> None:
    """A request for a page is refused when a script or a picture elsewhere sends it."""
    assert page.get("/", headers={"Origin": "http://evil.example"}).status_code == 403
    assert page.get("/", headers={"Sec-Fetch-Site": "cross-site"}).status_code == 403
    assert page.get("/", headers={"Sec-Fetch-Site": "none"}).status_code == 200  # typed by the user
    assert page.get("/").status_code == 200


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"])
def test_only_looking_and_sending_forms_is_possible(page: Page, method: str) -> None:
    """Anything but looking at a page and sending a form is refused."""
    answer = page.ask(method, "/site/field/", headers={"Origin": f"http://{HOST}"})
    assert answer.status_code == 403


def test_the_printed_address_gives_a_key_that_scripts_cannot_read(page: Page) -> None:
    """The address sets a cookie for this site alone, out of reach of scripts, and not the address itself."""
    answer = page.get(f"/enter/{page.gate.token}", headers={"Cookie": None, "Sec-Fetch-Site": "none"})
    cookie = answer.headers["Set-Cookie"]
    assert answer.status_code == 200
    assert (
        "HttpOnly" in cookie
        and "SameSite=Strict" in cookie
        and f"Path={page.gate.prefix}" in cookie
        and "Domain" not in cookie
    )
    assert page.gate.token not in cookie and page.gate.session in cookie
    assert page.gate.token.encode() not in answer.data


def test_the_key_is_for_addresses_that_no_other_program_has(page: Page) -> None:
    """A browser sends a cookie to every port of a machine: this path is random, and all addresses lie below it."""
    answer = page.get(f"/enter/{page.gate.token}", headers={"Cookie": None, "Sec-Fetch-Site": "none"})
    assert len(page.gate.prefix) >= 43 and f'url={page.gate.prefix}/"' in answer.text
    for path in ("/", "/new", "/site/field/", "/nowhere"):
        links = re.findall(r'(?:href|src|action|data-job)="([^"]*)"', page.get(path).text)
        assert {link for link in links if not link.startswith((page.gate.prefix + "/", "#", "data:"))} == set()


def test_a_wrong_address_gives_no_key(page: Page) -> None:
    """An address that is off by one letter sets no cookie."""
    for wrong in (page.gate.token[:-1], page.gate.token + "x", page.gate.session, "x", "%00", "é"):
        answer = page.get(f"/enter/{wrong}", headers={"Cookie": None})
        assert answer.status_code == 403 and "Set-Cookie" not in answer.headers


def test_every_answer_forbids_everything_foreign(page: Page) -> None:
    """Each page, refused or not, runs only this server's own scripts and can be put into no other page."""
    answers = [page.get(path) for path in (*ADDRESSES, "/nowhere")] + [page.get("/", headers={"Cookie": None})]
    for answer in answers:
        policy = answer.headers["Content-Security-Policy"]
        assert "default-src 'none'" in policy and "frame-ancestors" in policy and "base-uri 'none'" in policy
        assert not re.search(r"https?:|\*|unsafe-eval", policy)
        assert answer.headers["X-Content-Type-Options"] == "nosniff"
        kept = answer.request.path.startswith("/own/")  # our own scripts and styles, for a phone out of reach
        assert answer.headers["Cache-Control"] == (KEPT_A_DAY if kept and answer.status_code == 200 else "no-store")
        assert "Access-Control-Allow-Origin" not in answer.headers


def test_pages_made_of_recordings_have_no_origin(page: Page) -> None:
    """The map and the card are shut in a sandbox: a script in them could ask this server for nothing."""
    policy = page.get("/site/field/card").headers["Content-Security-Policy"]
    assert policy.startswith("sandbox ") and "allow-same-origin" not in policy and "connect-src" not in policy
    assert "unsafe-inline" not in page.get("/").headers["Content-Security-Policy"]


def test_two_runs_have_nothing_in_common() -> None:
    """Each start has its own secrets, long enough not to be guessed, and they are not shown by accident."""
    first, second = Gate(frozenset({HOST})), Gate(frozenset({HOST}))
    secrets = {one for gate in (first, second) for one in (gate.token, gate.session, gate.prefix)}
    assert len(secrets) == 6 and all(len(one) >= 43 for one in secrets)
    assert not any(one in repr((first, second)) for one in secrets)


@given(st.text(max_size=60))
def test_no_cookie_header_opens_the_gate_or_breaks_it(text: str) -> None:
    """Whatever stands in a cookie header, only the key itself is taken for the key."""
    gate = Gate(frozenset({HOST}))
    assert not gate.has_cookie(text)
    assert gate.has_cookie(f"{gate.cookie_name}={gate.session}")
    assert not gate.is_token(text)
