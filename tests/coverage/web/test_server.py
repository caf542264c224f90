"""The local page: its forms, its limits, what it can reach, and what it does with a site."""

from __future__ import annotations

import errno
import io
import json
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from types import SimpleNamespace
from typing import Any

import pytest
import segno
from hypothesis import given
from hypothesis import strategies as st
from local_page import Page, running
from shapely.geometry import shape
from small_walks import MORNING, snapshot, square, walk
from werkzeug.datastructures import FileStorage

from fieldcomb.coverage.actions.add import add
from fieldcomb.coverage.actions.given_walks import WalksToAdd, WalkToAdd
from fieldcomb.coverage.actions.new_site import new_site
from fieldcomb.coverage.areas.areas import read_areas
from fieldcomb.coverage.commands.cli import main
from fieldcomb.coverage.jobs.job_protocol import HeldFile, JobProgress, Order, order_line, read_order, with_line
from fieldcomb.coverage.jobs.worker import carry_out
from fieldcomb.coverage.site.folder import opened
from fieldcomb.coverage.site.settings import Typed
from fieldcomb.coverage.web import uploads
from fieldcomb.coverage.web.forms import changes_of, corners_of, edge_geojson, outing_texts
from fieldcomb.coverage.web.server import home_address
from fieldcomb.coverage.web.site_views import SiteRoot, out_files, view
from fieldcomb.coverage.web.uploads import Uploads, shown_name
from fieldcomb.tracks.errors import FieldcombError, SiteError, UsageError

JSON = {"Accept": "application/json"}


def quiet(_: str) -> None:
    """Take a note and forget it."""


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """Make a folder with one site that has one outing, and something secret beside it."""
    (tmp_path / "edge.geojson").write_text(square(0, 0, 20, 20))
    (tmp_path / "walk.gpx").write_text(walk())
    (tmp_path / "secret.txt").write_text("secret")
    (tmp_path / "sites").mkdir()
    folder = tmp_path / "sites" / "field"
    new_site(folder, boundary=str(tmp_path / "edge.geojson"), say=quiet)
    add(folder, WalksToAdd([WalkToAdd(str(tmp_path / "walk.gpx"))], Typed(coil="28cm")), quiet)
    return tmp_path / "sites"


@pytest.fixture
def page(root: Path) -> Page:
    """Serve that folder."""
    (root.parent / "temp").mkdir()
    return Page(root, root.parent / "temp")


@contextmanager
def as_stranger(root: Path) -> Iterator[Path]:
    """Yield a copy of a folder of sites that every user of this machine can reach."""
    with TemporaryDirectory() as temp:
        Path(temp).chmod(0o755)
        sites = Path(temp) / "sites"
        shutil.copytree(root, sites)
        yield sites


@contextmanager
def looking() -> Iterator[None]:
    """Look as a user for whom permissions hold; they do not for the root user."""
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(0)


def sent(text: str | bytes, name: str = "walk.gpx") -> tuple[io.BytesIO, str]:
    """Give a file as a form sends it."""
    return io.BytesIO(text.encode() if isinstance(text, str) else text), name


# --------------------------------------------------------------------------------------------- what can be reached


@pytest.mark.parametrize(
    "path",
    [
        "/site/../secret.txt",
        "/site/field/file/../../../secret.txt",
        "/site/field/file/..%2f..%2f..%2fsecret.txt",
        "/site/field/file/%2e%2e/site.toml",
        "/site/field/file/site.toml",
        "/site/field/file/..%5c..%5csite.toml",
        "/site/%2e%2e/",
        "/site/./",
        "/site/..%2f/",
        "/site//",
        "/own/../routes.py",
        "/own/page.html",
        "/own/%2e%2e%2froutes.py",
        "/site/field/file/.map.html.1.part",
        "/site/field/outing/..%2f..",
        "/job/..%2f..",
    ],
)
def test_no_address_leads_out_of_the_served_folder(page: Page, path: str) -> None:
    """No spelling of a path shows a file that is not meant to be shown."""
    (page_out := page.uploads.folder.parent.parent / "sites" / "field" / "out").mkdir(exist_ok=True)
    (page_out / ".map.html.1.part").write_text("half")
    answer = page.get(path)
    assert answer.status_code in (404, 308)
    assert b"secret" not in answer.data and b"zone =" not in answer.data and b"half" not in answer.data


def test_a_link_out_of_the_served_folder_is_not_followed(root: Path, page: Page) -> None:
    """A link to a site elsewhere, or to a file elsewhere in the output folder, is not shown."""
    elsewhere = root.parent / "elsewhere"
    new_site(elsewhere, say=quiet)
    (root / "linked").symlink_to(elsewhere)
    (root / "field" / "out" / "map.html").symlink_to(root.parent / "secret.txt")
    assert [site.key for site in SiteRoot(root).sites()] == ["field"]
    assert out_files(root / "field") == ()
    assert page.get("/site/linked/").status_code == 404
    assert page.get("/site/field/file/map.html").status_code == 404


def test_a_name_in_a_form_makes_no_path(root: Path, page: Page) -> None:
    """A new site lies in the served folder whatever its name, and never takes the place of something there."""
    for name in ("../out", "/etc/x", "..", ".hidden", "a/b\\c", "C:\\x", "con\0x", "\u202eabc"):
        answer = page.post("/new", {"name": name, "way": "none"}, headers=JSON)
        if answer.status_code == 202:
            made = Path(page.jobs.orders[-1].site)
            assert made.parent == root and not made.name.startswith(".") and not made.exists()
        else:
            assert answer.status_code == 400 and answer.json["problem"]
    assert page.post("/new", {"name": "field", "way": "none"}, headers=JSON).status_code == 400
    with pytest.raises(UsageError, match="only one site"):
        SiteRoot(root / "field").place_for("other")


@pytest.mark.parametrize("where", ["gone", "secret.txt"])
def test_what_is_no_folder_is_not_served(tmp_path: Path, where: str) -> None:
    """A folder that is not there, or a file, is refused with what to do."""
    (tmp_path / "secret.txt").write_text("x")
    with pytest.raises(SiteError, match=where):
        SiteRoot(tmp_path / where)


# ------------------------------------------------------------------------------------------------------ uploads


@given(st.text(max_size=300))
def test_a_shown_name_is_one_short_line_and_no_path(given_name: str) -> None:
    """Whatever an upload is called, it is shown as one line without folders, and never as nothing."""
    name = shown_name(given_name)
    assert name.strip(". ") and "/" not in name and "\\" not in name and len(name) <= 150
    assert name.isprintable() or not any(ord(letter) < 32 for letter in name)
    assert shown_name(name) == name


def test_the_end_of_a_long_name_is_kept() -> None:
    """A long name is cut in its middle, so that its ending still tells what it is."""
    assert shown_name("a" * 400 + ".gpx").endswith(".gpx")


def test_uploads_lie_under_random_names_and_keep_their_own(root: Path, page: Page) -> None:
    """An upload whose name is a path lands in the folder for uploads alone, with the bytes that were sent."""
    before = snapshot(root)
    files = [sent("one", "../../../sites/field/site.toml"), sent("two", "C:/walks/two.gpx")]
    answer = page.post("/site/field/add", {"tracks": files, "coil": "28cm"}, headers=JSON)
    assert answer.status_code == 202
    order = page.jobs.orders[-1]
    assert [one.name for one in order.files] == ["site.toml", "two.gpx"]
    assert {Path(one.path).parent for one in order.files} == {page.uploads.folder}
    assert page.jobs.held[-1] == [b"one", b"two"]
    assert snapshot(root) == before
    assert page.uploads.folder.stat().st_mode & 0o077 == 0


def test_what_is_refused_leaves_nothing_behind(page: Page) -> None:
    """A form with a slip in it is refused with the name of the field as the form shows it, and its uploads are gone."""
    form = page.get("/site/field/").text
    lying = {path.name for path in page.uploads.folder.iterdir()}
    forms = [
        ("swath", "28"),
        ("coil", "x=1=2"),
        ("gps", "superb"),
        ("sweeps", "none"),
        ("carried", "nose"),
        ("from", "noon"),
        ("to", "noon"),
        ("top_pace", "fast"),
        ("laps", "x"),
        ("dug", "9-1"),
        ("lift", "5"),
        ("label", "x" * 3000),
        ("note", "x" * 3000),
    ]
    for key, text in forms:
        label = re.search(rf'<label for="{key}">([^<]+)</label>', form)[1]
        answer = page.post("/site/field/add", {"tracks": [sent(walk())], key: text}, headers=JSON)
        assert answer.status_code == 400 and answer.json["problem"].startswith(f"{label}: "), key
    assert page.post("/site/field/add", {}, headers=JSON).status_code == 400
    assert {path.name for path in page.uploads.folder.iterdir()} == lying
    assert page.jobs.orders == []


def test_what_was_typed_of_a_walk_is_in_its_order(page: Page) -> None:
    """Numbers that were dug, the ground and the lift go with the walk, as the fields of add say them."""
    fields = {"dug": "40-99", "ground": "wet turf", "lift": "8cm"}
    assert page.post("/site/field/add", {"tracks": [sent(walk())], **fields}).status_code == 303
    typed = page.jobs.orders[0].typed
    assert (typed.dug, typed.ground, typed.lift) == ("40-99", "wet turf", "8cm")


def test_a_depth_is_asked_of_the_map(root: Path, page: Page) -> None:
    """The map is drawn for a depth that is typed; one that cannot be is refused by the name of its field."""
    for text, said in (("15", "Depth below the soil: "), ("9m", "Depth below the soil: ")):
        answer = page.post("/site/field/draw", {"depth": text}, headers=JSON)
        assert answer.status_code == 400 and answer.json["problem"].startswith(said)
    assert page.post("/site/field/draw", {"depth": "15cm"}).status_code == 303
    assert page.post("/site/field/draw").status_code == 303
    first, second = page.jobs.orders
    assert (first.depth, second.depth) == ("15cm", None) and read_order(order_line(first)) == first
    carry_out(first, quiet_tell)
    assert json.loads((root / "field" / "out" / "report.json").read_text())["depth_m"] == 0.15
    carry_out(second, quiet_tell)
    assert json.loads((root / "field" / "out" / "report.json").read_text())["depth_m"] is None


def test_too_much_at_once_is_refused(page: Page) -> None:
    """An upload over the limit of bytes or of files is refused and not kept."""
    page.app.config["MAX_CONTENT_LENGTH"] = 20_000
    answer = page.post("/site/field/add", {"tracks": [sent(b"x" * 30_000)]}, headers=JSON)
    assert answer.status_code == 413 and "MB" in answer.json["problem"]
    page.app.config["MAX_CONTENT_LENGTH"] = None
    many = [sent("x", f"{n}.gpx") for n in range(uploads.MOST_FILES + 1)]
    answer = page.post("/site/field/add", {"tracks": many}, headers=JSON)
    assert answer.status_code == 400 and "too many" in answer.json["problem"]
    assert [path.name for path in page.uploads.folder.iterdir()] == [".lock"]


def test_what_waits_altogether_is_limited_until_some_of_it_is_done(root: Path) -> None:
    """Uploads up to the limit may wait; one byte more is refused and not kept, and fits when another one is done."""
    (root.parent / "temp").mkdir()
    page = Page(root, root.parent / "temp", most_bytes=10_000)
    send = lambda size: page.post("/site/field/add", {"tracks": [sent(b"x" * size)]}, headers=JSON)  # noqa: E731
    assert send(6000).status_code == 202 and send(4000).status_code == 202
    refused = send(1)
    assert refused.status_code == 400 and "would be waiting" in refused.json["problem"]
    assert len(list(page.uploads.folder.iterdir())) == 3  # two uploads and the lock
    page.uploads.drop(page.jobs.orders[1].files)
    assert send(4001).status_code == 400 and send(4000).status_code == 202


def test_two_gigabytes_may_wait(tmp_path: Path) -> None:
    """Without another limit, uploads of 2 GB together may wait and not one byte more."""

    class Large(bytes):
        size = 0

        def __len__(self) -> int:
            return self.size

    def take(size: int) -> None:
        chunk = Large()
        chunk.size = size
        file = FileStorage(io.BytesIO(), "large.gpx")
        chunks = iter((chunk, b""))
        file.stream = SimpleNamespace(read=lambda _: next(chunks))  # type: ignore[assignment]
        waiting.take(file)

    waiting = Uploads(str(tmp_path))
    take(2 * 1024**3)
    with pytest.raises(UsageError, match="more than 2 GB"):
        take(1)
    waiting.close()


def test_an_upload_succeeds_while_others_are_being_removed(tmp_path: Path) -> None:
    """Uploads that come in at the same moment as others are cleared away are each stored whole."""
    waiting, faults = Uploads(str(tmp_path)), list[BaseException]()

    def send() -> None:
        try:
            for number in range(200):
                held = waiting.take(FileStorage(io.BytesIO(b"walk %d" % number), "walk.gpx"))
                assert Path(held.path).read_bytes() == b"walk %d" % number
                waiting.drop([held])
        except BaseException as error:
            faults.append(error)

    senders = [threading.Thread(target=send) for _ in range(8)]
    for sender in senders:
        sender.start()
    for sender in senders:
        sender.join()
    assert faults == [] and [path.name for path in waiting.folder.iterdir()] == [".lock"]
    waiting.close()


def test_uploads_of_a_server_that_was_killed_are_removed(root: Path, tmp_path: Path) -> None:
    """The next start clears what a killed server left; a running one's uploads, links and own files are left alone."""
    code = (
        "import os, sys; from pathlib import Path; from fieldcomb.coverage.web.uploads import Uploads\n"
        "given = Uploads(sys.argv[1]); given.take_text('walk.gpx', 'private'); print(given.folder, flush=True)\n"
        "sys.stdin.read()"
    )
    temp = tmp_path / "uploads"
    temp.mkdir()
    with subprocess.Popen([sys.executable, "-c", code, str(temp)], stdin=-1, stdout=-1, text=True) as killed:
        assert killed.stdout is not None
        left = Path(killed.stdout.readline().strip())
        beside = Uploads(str(temp))
        assert left.exists()  # it still runs
        killed.kill()
    linked, own = temp / f"{uploads.PREFIX}linked", temp / f"{uploads.PREFIX}own"
    linked.symlink_to(root)
    own.mkdir()
    (own / "photo.jpg").write_text("mine")
    (left / ("a" * 43)).symlink_to(root / "field" / "site.toml")
    before = snapshot(root)
    third = Uploads(str(temp))
    assert not left.exists() and beside.folder.exists() and linked.is_symlink() and (own / "photo.jpg").exists()
    assert snapshot(root) == before
    beside.close()
    third.close()
    assert {path.name for path in temp.iterdir()} == {linked.name, own.name}


# --------------------------------------------------------------------------------------------------- over the wire


def asked(host: str, head: str, body: bytes = b"") -> bytes:
    """Send raw bytes to a server, and give its answer up to where it stops."""
    with socket.create_connection(host.split(":"), timeout=60) as wire:
        wire.sendall(head.encode() + body)
        answer = b""
        while chunk := wire.recv(65536):
            answer += chunk
        return answer


def test_no_byte_of_a_strangers_upload_is_taken(tmp_path: Path) -> None:
    """Without the key an upload ends at its head, and one that is too large ends there even with it."""
    with running(tmp_path) as service:
        host = re.sub(r"http://|/enter.*", "", service.addresses.here)
        head = f"POST /new HTTP/1.1\r\nHost: {host}\r\nOrigin: http://{host}\r\nConnection: close\r\n"
        key = f"Cookie: {service.gate.cookie_name}={service.gate.session}\r\n"
        # The answers come though none of the bytes that were promised has been sent.
        assert b" 400 " in asked(host, head + "Content-Length: 100000\r\n\r\n").partition(b"\r\n")[0]
        assert b" 400 " in asked(host, head + "Transfer-Encoding: chunked\r\n\r\n").partition(b"\r\n")[0]
        assert b" 413 " in asked(host, head + key + "Content-Length: 900000000\r\n\r\n").partition(b"\r\n")[0]
        get = head.replace("POST /new", "GET /")
        assert b" 400 " in asked(host, get + key + "Content-Length: 100\r\n\r\n").partition(b"\r\n")[0]
        assert b" 200 " in asked(host, get + key + "\r\n").partition(b"\r\n")[0]


def test_an_upload_that_never_ends_is_cut_off(tmp_path: Path) -> None:
    """A sender who keeps a connection busy for longer than an upload may take is cut off in the middle."""
    with running(tmp_path, most_request_s=0.1) as service:
        host = re.sub(r"http://|/enter.*", "", service.addresses.here)
        head = f"POST /new HTTP/1.1\r\nHost: {host}\r\nOrigin: http://{host}\r\nContent-Length: 100000\r\n"
        key = f"Cookie: {service.gate.cookie_name}={service.gate.session}\r\n\r\n"
        with socket.create_connection(host.split(":"), timeout=60) as wire:
            wire.sendall((head + key).encode())
            with pytest.raises(OSError):
                for _ in range(12_000):  # far less than was promised
                    wire.sendall(b"x")
                    time.sleep(0.01)


def test_forms_work_without_the_pages_script(page: Page) -> None:
    """A browser that runs no script is led on to the page of the work, which then loads itself again."""
    answer = page.post("/site/field/add", {"tracks": [sent(walk())], "known_coil": "", "coil": "28cm"})
    assert answer.status_code == 303 and answer.headers["Location"] == page.gate.prefix + "/job/noted"
    assert page.jobs.orders[-1].typed == Typed(coil="28cm")


def test_only_this_machine_is_served_unless_sharing_is_asked_for(tmp_path: Path) -> None:
    """The address is that of the machine itself, and no other address has the port open."""
    with running(tmp_path) as service:
        assert service.addresses.here.startswith("http://127.0.0.1:") and service.addresses.shared is None
        assert service.gate.hosts == {
            host for host in service.gate.hosts if host.startswith(("127.0.0.1:", "localhost:"))
        }


def test_a_shared_page_has_one_more_address_and_its_picture(tmp_path: Path) -> None:
    """With sharing, the page can be had at two addresses, and shows the second one as a QR code to those inside."""
    with running(tmp_path, shared_at="127.0.0.2") as service:
        shared = service.addresses.shared
        assert shared is not None and shared.startswith("http://127.0.0.2:")
        expected = segno.make(shared, error="m").svg_inline(omitsize=True)
        key = f"Cookie: {service.gate.cookie_name}={service.gate.session}\r\n"
        for host in sorted(service.gate.hosts):
            near = re.sub("localhost", "127.0.0.1", host)
            answer = asked(near, f"GET / HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n{key}\r\n")
            assert expected.encode() in answer
            assert service.gate.token not in asked(near, f"GET / HTTP/1.0\r\nHost: {host}\r\n\r\n").decode()


def test_the_command_prints_the_address_and_leaves_nothing_behind(root: Path) -> None:
    """The only line of output is the address, which works; ended by the system, the server clears its uploads away."""
    temp = root.parent / "own-temp"
    temp.mkdir()
    code = "import sys; from fieldcomb.coverage.commands.cli import main; sys.exit(main())"
    command = [sys.executable, "-c", code, "serve", str(root)]
    with subprocess.Popen(
        command, env={**os.environ, "TMPDIR": str(temp)}, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        address = process.stdout.readline().strip()
        host, _, entry = address.removeprefix("http://").partition("/")
        answer = asked(host, f"GET /{entry} HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n")
        assert b" 200 " in answer.partition(b"\r\n")[0] and b"Set-Cookie" in answer
        assert len(list(temp.iterdir())) == 1
        process.send_signal(signal.SIGTERM)
        rest, said = process.communicate(timeout=120)
    assert process.returncode == 0 and rest == "" and "Traceback" not in said
    assert list(temp.iterdir()) == []


def test_what_cannot_be_served_is_told_and_not_a_traceback(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A folder that is not there, a port that is taken and missing packages end with what to do."""
    assert main(["serve", str(tmp_path / "gone")]) == 1
    assert "Make that folder first" in capsys.readouterr().err
    with socket.create_server(("127.0.0.1", 0)) as taken:
        assert main(["serve", str(tmp_path), "--port", str(taken.getsockname()[1])]) == 2
    assert "--port" in capsys.readouterr().err
    monkeypatch.delitem(sys.modules, "fieldcomb.coverage.web.server")
    monkeypatch.setitem(sys.modules, "waitress.channel", None)
    assert main(["serve", str(tmp_path)]) == 2
    assert ".[web]" in capsys.readouterr().err


def test_a_full_disk_is_told_and_keeps_nothing(page: Page, monkeypatch: pytest.MonkeyPatch) -> None:
    """An upload that finds no room is refused with the system's own words."""

    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(Uploads, "take", full)
    answer = page.post("/site/field/add", {"tracks": [sent("x")]}, headers=JSON)
    assert answer.status_code == 500 and "no space left on device" in answer.json["problem"]


def test_only_a_home_network_is_shared() -> None:
    """A machine with a public address, or with no network, is not shared."""
    assert home_address(lambda: "192.168.1.20") == "192.168.1.20"
    for address in ("8.8.8.8", "127.0.0.1", "0.0.0.0"):
        with pytest.raises(UsageError):
            home_address(lambda address=address: address)  # type: ignore[misc]


# ------------------------------------------------------------------------------------------------------- the forms


@given(st.lists(st.tuples(st.floats(-89, 89), st.floats(-179, 179)), min_size=3, max_size=8, unique=True))
def test_corners_are_read_as_they_were_written(corners: list[tuple[float, float]]) -> None:
    """Corners come back in their order, longitude first, however they are parted."""
    for gap in (", ", "; ", " ", "\t"):
        text = "\n".join(f"{lat:.7f}{gap}{lon:.7f}" for lat, lon in corners)
        rounded = [(float(f"{lon:.7f}"), float(f"{lat:.7f}")) for lat, lon in corners]
        if rounded[0] != rounded[-1]:
            assert corners_of(text) == rounded


def test_letters_commas_and_a_closing_corner_are_understood() -> None:
    """Degrees with N, S, E, W, decimal commas, and an edge that ends where it began, are read as they are meant."""
    texts = ("46,5; -27,9\n46,6; -27,9\n46,6; -27,8", "46.5N 27.9W\n46.6° N, 27.9° W\n46.6n;27.8w\n46.5N 27.9W\n")
    for text in texts:
        assert corners_of(text) == [(-27.9, 46.5), (-27.9, 46.6), (-27.8, 46.6)]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "0 corners"),
        ("1, 2\n3, 4", "2 corners"),
        ("1, 2\n\nhere\n3, 4", "line 3"),
        ("1, 2\n95, 4\n3, 4", "line 2"),
        ("1, 2\n3, 200\n3, 4", "line 2"),
        ("nan, 1\n2, 3\n3, 4", "line 1"),
        ("1e5, 1\n2, 3\n3, 4", "line 1"),
        ("1, 1\n" * 2001, "more than 2000"),
    ],
)
def test_an_edge_that_cannot_be_is_told_with_its_line(text: str, said: str) -> None:
    """A slip in a typed edge is refused with the line that it is in."""
    with pytest.raises(UsageError, match=said):
        corners_of(text)


def test_a_typed_edge_is_the_area_that_its_corners_span() -> None:
    """A typed edge is read back as one area of kind site with the same corners."""
    corners = [(3.2, 55.5), (3.201, 55.5), (3.201, 55.501)]
    areas, _ = read_areas(edge_geojson(corners).encode(), "typed")
    assert [area.kind for area in areas] == ["site"]
    assert areas[0].shape.equals(shape({"type": "Polygon", "coordinates": [[*corners, corners[0]]]}))


def test_only_what_was_changed_is_corrected(root: Path) -> None:
    """Sending a form back as it was shown changes nothing; emptying a field takes back what was typed."""
    with opened(root / "field", quiet, reading=True) as site:
        outing = site.outings[0]
    shown = outing_texts(outing)
    assert changes_of(shown, shown) == {}
    assert changes_of({**shown, "coil": ""}, shown) == {"coil": None}
    typed = {"dug": "40-99", "ground": "stubble", "lift": "8cm"}
    assert changes_of({**shown, **typed}, shown) == typed
    assert changes_of({**shown, "swath": "1.4m", "sweeps": "27"}, shown) == {"swath": "1.4m", "sweep": 1.1111}
    twice = {**shown, "sweeps": "27"}
    assert changes_of(twice, twice) == {}
    wide = {**shown, "swath": "1,4 m"}
    assert changes_of(wide, wide) == changes_of({**wide, "swath": "1,4", "swath-unit": "m"}, wide) == {}
    assert changes_of({**wide, "swath": "140", "swath-unit": "cm"}, wide) == {"swath": "140cm"}


def test_messages_speak_of_fields_and_not_of_commands(root: Path, page: Page) -> None:
    """Who gave a walk twice, or left all outings out, is told what to do on the page."""
    told: list[dict[str, Any]] = []
    (root.parent / "again.gpx").write_text(walk())
    files = (HeldFile("again.gpx", str(root.parent / "again.gpx")),)
    for _ in range(2):
        with pytest.raises(FieldcombError) as refused:
            carry_out(Order("add", str(root / "field"), files), lambda **values: told.append(values))
        text = refused.value.on_page
        assert "again.gpx" in text and "2026-03-07a" in text and "fieldcomb" not in text and "temp" not in text
        carry_out(
            Order("edit", str(root / "field"), outing="2026-03-07a", changes={"left_out": True}, draw=False), quiet_tell
        )
    with pytest.raises(SiteError) as refused:
        carry_out(Order("draw", str(root / "field")), quiet_tell)
    assert "on its page" in refused.value.on_page


def test_a_map_that_cannot_be_written_is_told_without_options(root: Path) -> None:
    """Where a file or a link stands in the place of the output folder, the page says what can be done there."""
    out = root / "field" / "out"
    shutil.rmtree(out)
    for make, said in ((lambda: out.write_text("mine"), "is a file"), (lambda: out.symlink_to(root), "is a link")):
        make()
        with pytest.raises(SiteError) as refused:
            carry_out(Order("draw", str(root / "field")), quiet_tell)
        assert said in refused.value.on_page and " -o" not in refused.value.on_page and " -o" in str(refused.value)
        out.unlink()


def quiet_tell(**_: Any) -> None:
    """Take what is told and forget it."""


# -------------------------------------------------------------------------------------------------------- the work


def test_an_order_comes_through_as_it_was_given() -> None:
    """Nothing of an order is lost on its way to the process that carries it out."""
    order = Order("add", "/s", (HeldFile("ä\n.gpx", "/p"),), HeldFile("r", "/r"), typed=Typed(coil="28cm", sweep=1.1))
    assert read_order(order_line(order)) == order and order_line(order).count("\n") == 1


def test_what_is_told_adds_up_and_nonsense_is_passed_over() -> None:
    """Notes gather, the step is the latest one, and a line that a library printed does no harm."""
    told = JobProgress()
    lines = [
        '{"notes": ["a"], "step": "x"}',
        "printed",
        "[1]",
        '{"notes": ["b"], "done": "3"}',
        '{"kept": ["k"], "drawn": true}',
    ]
    for line in lines:
        told = with_line(told, line)
    assert told == JobProgress(step="x", notes=("a", "b"), kept=("k",), drawn=True)


def test_the_page_makes_the_same_site_as_the_commands(tmp_path: Path) -> None:
    """A site made, filled and drawn by the page has the same files, byte for byte, as one made by the commands.

    Only what a report printed is kept by the command alone, which says it again where nothing has changed.
    """
    (tmp_path / "edge.geojson").write_text(square(0, 0, 20, 20))
    (tmp_path / "walk.gpx").write_text(walk())
    (tmp_path / "held").write_text(walk())
    (tmp_path / "held-edge").write_text(square(0, 0, 20, 20))
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    by_page, by_command = tmp_path / "a" / "field", tmp_path / "b" / "field"
    edge, files = HeldFile("edge.geojson", str(tmp_path / "held-edge")), (HeldFile("walk.gpx", str(tmp_path / "held")),)
    typed = Typed(coil="small=28cm", swath="1.4m")
    carry_out(Order("new", str(by_page), boundary=edge, name="field", draw=False), quiet_tell)
    carry_out(Order("add", str(by_page), files, typed=typed, label="west"), quiet_tell)
    commands = [
        ["new", str(by_command), "--boundary", str(tmp_path / "edge.geojson"), "--name", "field"],
        [
            "add",
            str(by_command),
            str(tmp_path / "walk.gpx"),
            "--coil",
            "small=28cm",
            "--swath",
            "1.4m",
            "--label",
            "west",
        ],
        ["report", str(by_command)],
    ]
    for command in commands:
        assert main(command) == 0
    page, command = snapshot(by_page), snapshot(by_command)
    [told] = [name for name, data in command.items() if name.startswith("out/kept/") and (data or b"")[:2] == b"[["]
    del command[told]
    listed, told = "out/kept/list.txt", told.rpartition("/")[2] + "\n"
    assert page.pop(listed) == (command.pop(listed) or b"").replace(told.encode(), b"")
    assert page == command


def test_a_roster_is_brought_together_with_uploads_by_their_names(root: Path) -> None:
    """Rows of a roster find their recordings by the names that these had, and two of one name are refused."""
    held = []
    for n, name in enumerate(("ann.gpx", "bo.gpx")):
        (root.parent / f"up{n}").write_text(walk(MORNING.replace(day=9), east_m=6.0 * n))
        held.append(HeldFile(name, str(root.parent / f"up{n}")))
    (root.parent / "up-roster").write_text("file,searcher,coil\nbo.gpx,Bo,33cm\nann.gpx,Ann,28cm\n")
    roster = HeldFile("team.csv", str(root.parent / "up-roster"))
    order = Order("add", str(root / "field"), tuple(held), roster, draw=False)
    with pytest.raises(UsageError, match="same name"):
        twins = (held[0], HeldFile(held[0].name, held[1].path))
        carry_out(Order("add", str(root / "field"), twins, roster, draw=False), quiet_tell)
    carry_out(order, quiet_tell)
    with opened(root / "field", quiet, reading=True) as site:
        recordings = {one.name: (one.searcher, one.typed.coil) for one in site.outings[-1].recordings}
    assert recordings == {"ann.gpx": ("Ann", "28cm"), "bo.gpx": ("Bo", "33cm")}


# ------------------------------------------------------------------------------------------------------- the pages


def test_a_site_is_shown_with_what_changed_and_every_output(root: Path, page: Page) -> None:
    """The page of a site has its answer, what the latest outing brought, the map, and each file to fetch."""
    (root.parent / "later.gpx").write_text(walk(MORNING.replace(day=8), east_m=6.0))
    files = (HeldFile("later.gpx", str(root.parent / "later.gpx")),)
    carry_out(Order("add", str(root / "field"), files, typed=Typed(coil="28cm")), quiet_tell)
    report = json.loads((root / "field" / "out" / "report.json").read_bytes())
    text = page.get("/site/field/").text
    before, after = (f"{outing['total_pct']:.1f} %" for outing in report["outings"])
    assert f"{before} before, <b>{after}</b> with it" in text.replace("\u202f", " ").replace("\xa0", " ")
    assert 'sandbox="allow-scripts"' in text
    out = list((root / "field" / "out").iterdir())
    assert [path.name for path in out if path.is_dir()] == ["kept"]
    for path in (path for path in out if path.is_file()):
        answer = page.get(f"/site/field/file/{path.name}?save=1")
        assert path.name in text and answer.data == path.read_bytes()
        assert answer.headers["Content-Disposition"].startswith("attachment")
    assert "older than the last change" not in text


def test_the_page_begins_with_the_answer_of_the_map(root: Path, page: Page) -> None:
    """What is searched, where to go next and what is not known stand first, in the words of the map; nothing is shown
    of a report.json that is not ours.
    """
    carry_out(Order("draw", str(root / "field")), quiet_tell)
    file = root / "field" / "out" / "report.json"
    report = json.loads(file.read_text())
    text = page.get("/site/field/").text.replace("m²", "m2").replace("\u202f", " ")
    for line in filter(None, report["answer"].values()):
        assert text.index(line) < text.index("Add a walk")
    for other in ({}, {"answer": 3}, {"answer": {"searched": 7}}, []):
        file.write_text(json.dumps(other))
        assert '<dl class="answer">' not in page.get("/site/field/").text


def aged(folder: Path) -> None:
    """Make all that is in a folder old, so that what is written next is newer on any clock."""
    for path in folder.rglob("*"):
        os.utime(path, (1, 1))


def test_a_map_that_is_older_than_a_change_says_so(root: Path, page: Page) -> None:
    """Before the map is drawn, and after a change or a find that was not drawn, the page offers to draw it."""
    assert "older than the last change" in page.get("/site/field/").text
    carry_out(Order("draw", str(root / "field")), quiet_tell)
    for name, text in (("finds.csv", "find_no,kind\n1,keep\n"), ("ground.csv", "day,kind\n2026-03-08,ploughed\n")):
        aged(root / "field")
        assert "older than the last change" not in page.get("/site/field/").text
        (root / "field" / name).write_text(text)
        assert "older than the last change" in page.get("/site/field/").text
        (root / "field" / name).unlink()
    aged(root / "field")
    changes: dict[str, Any] = {"label": "west"}
    carry_out(Order("edit", str(root / "field"), outing="2026-03-07a", changes=changes, draw=False), quiet_tell)
    assert "older than the last change" in page.get("/site/field/").text


def test_names_from_files_are_text_on_every_page(root: Path, page: Page) -> None:
    """A name that is a piece of HTML is shown as it is written, and does nothing."""
    evil = "<img src=x onerror=alert(1)>"
    changes: dict[str, Any] = {"label": evil, "note": evil, "coil": f"{evil[:4]}a=28cm"}
    carry_out(Order("edit", str(root / "field"), outing="2026-03-07a", changes=changes, draw=False), quiet_tell)
    site_file = root / "field" / "site.toml"
    site_file.write_text(site_file.read_text().replace('name = "field"', f"name = '{evil}'"))
    for path in ("/", "/site/field/", "/site/field/outing/2026-03-07a", "/site/field/card"):
        answer = page.get(path)
        assert answer.status_code == 200 and "<img" not in answer.text
        assert "&lt;img" in answer.text


def test_a_site_that_cannot_be_read_says_why_and_hides_no_other(root: Path, page: Page) -> None:
    """A slip in a site.toml is shown with its line on the list of sites, and on the page of that site."""
    new_site(root / "other", say=quiet)
    (root / "other" / "site.toml").write_text("name = 3\n")
    text = page.get("/").text
    assert "line 1" in text and "field" in text
    answer = page.get("/site/other/")
    assert answer.status_code == 400 and "line 1" in answer.text


def test_a_folder_that_cannot_be_read_hides_no_other(root: Path) -> None:
    """Where one folder is somebody else's, the list shows all other sites and says what is wrong with that one."""
    with as_stranger(root) as sites:
        (sites / "closed").mkdir(mode=0)
        (sites / "half").mkdir()
        (sites / "half" / "site.toml").write_text('name = "half"')
        (sites / "half" / "site.toml").chmod(0)
        (sites / "plain").mkdir()
        with looking():
            cards = {card.key: card.fault for card in SiteRoot(sites).sites()}
            assert list(cards) == ["closed", "field", "half"]
            assert (
                cards["field"] == ""
                and "you do not have permission to read it" in cards["closed"]
                and "you do not have permission to read it" in cards["half"]
            )
            with pytest.raises(SiteError, match="you do not have permission to read it"):
                view(sites / "closed")


def test_a_half_made_site_is_not_listed_and_is_cleared_at_the_next_start(root: Path, page: Page) -> None:
    """A site that is being made is not on the page; what a killed server left of one goes when the next one starts."""
    with subprocess.Popen([sys.executable, "-S", "-c", ""]) as process:
        process.wait()
    dead, living = (
        root / f".west.{process.pid}.1.pending-new",
        root / f".east.{os.getppid()}.1.pending-new",
    )
    for half in (dead, living):
        (half / "tracks").mkdir(parents=True)
        (half / "site.toml").write_text('name = "half"')
    assert "half" not in page.get("/").text and page.get(f"/site/{living.name}/").status_code == 404
    SiteRoot(root)
    assert not dead.exists() and living.exists()


def test_a_change_that_was_interrupted_is_finished_before_it_is_shown(root: Path, page: Page) -> None:
    """What a killed server had decided to keep is in the site when it is looked at next."""
    from fieldcomb.coverage.site import journal

    folder = root / "field"
    text = (folder / "outings.toml").read_text().replace("2026-03-07a", "2026-03-07b")
    stage = folder / journal._STAGE
    journal._stage(folder, stage, {"outings.toml": text.encode()})
    stage.rename(folder / journal.COMMIT)
    assert "2026-03-07b" in page.get("/site/field/").text
