"""Archives: one recording in them, or the export of a whole account, whatever else is packed beside."""

from __future__ import annotations

import gc
import gzip
import hashlib
import tomllib
import tracemalloc
import zipfile
from pathlib import Path

import numpy as np
import pytest
from format_samples import KML, SAMPLES, feature, geojson, zipped

from fieldcomb.coverage.actions.add import add
from fieldcomb.coverage.actions.given_walks import Split, WalksToAdd, WalkToAdd
from fieldcomb.coverage.actions.new_site import new_site
from fieldcomb.coverage.commands.cli import main
from fieldcomb.tracks.errors import TrackError
from fieldcomb.tracks.files import limits
from fieldcomb.tracks.files.archive import Archive
from fieldcomb.tracks.formats.read import read_recording
from fieldcomb.tracks.units import iso_utc

PLAN = b'<gpx><rte><rtept lat="40" lon="-30"/></rte></gpx>'


def gpx(day: int = 7, lon_deg: float = -30.0, fixes: int = 60) -> bytes:
    """A walk to the north, on a day of March, at 40 degrees north."""
    start_s = 1_772_323_200 + 86_400 * (day - 1)
    points = "".join(
        f'<trkpt lat="{40 + i * 4e-6:.7f}" lon="{lon_deg:.7f}"><time>{iso_utc(start_s + i)}</time></trkpt>'
        for i in range(fixes)
    )
    return f"<gpx><trk><trkseg>{points}</trkseg></trk></gpx>".encode()


@pytest.mark.parametrize("kind", SAMPLES)
@pytest.mark.parametrize("name", ["activities/1.gpx", "1", "x.txt"])
def test_the_one_recording_in_an_archive_is_found_by_content(kind: str, name: str) -> None:
    """One recording of any format is read out of an archive, whatever its name and whatever lies beside it."""
    alone = read_recording(SAMPLES[kind][0], "a")
    if kind == "KMZ" and not name.endswith(".kmz"):
        name += ".kmz"
    packed = zipped(("readme", b"hello"), ("a.png", b"\x89PNG"), (name, SAMPLES[kind][0]), ("plan.gpx", PLAN))
    recording = read_recording(packed, "a.zip")
    np.testing.assert_array_equal(recording.track.lon_deg, alone.track.lon_deg)
    np.testing.assert_array_equal(recording.track.time_s, alone.track.time_s)
    assert f"Read {name!r} from the archive" in recording.notes
    assert any("'plan.gpx' in the same archive was not read: holds no track points" in n for n in recording.notes)


def test_a_packed_member_is_unpacked_twice() -> None:
    """A recording that is packed by itself inside the archive is read, too."""
    assert len(read_recording(zipped(("1.gpx.gz", gzip.compress(gpx()))), "a.zip").track) == 60


def longer(archive: bytes) -> bytes:
    """Let the list of an archive say that its first member has a million bytes, packed and unpacked."""
    at = archive.index(b"PK\x01\x02")
    size = (1_000_000).to_bytes(4, "little")
    return archive[: at + 20] + size + size + archive[at + 28 :]


NOT_ONE = {
    "several": (
        zipped(("a.gpx", gpx(1)), ("b.json", SAMPLES["GeoJSON"][0])),
        r"several recordings in it \('a.gpx', 'b.j.*--each",
    ),
    "none": (zipped(("a.png", b"\x89PNG")), r"without a recording in it \('a.png'\)"),
    "empty": (b"PK\x05\x06" + bytes(18), "it looks like an empty zip archive"),
    "a file without a name": (zipped(("", PLAN), ("b.txt", b"")), "holds no track points"),
    "a plan": (zipped(("plan.gpx", PLAN)), r"holds no track points, only 1 route with 1 point \(in 'plan.gpx'\)"),
    "two plans": (
        zipped(("1.gpx", PLAN), ("2.gpx", PLAN)),
        "without a readable recording in it; '1.gpx' holds no track po",
    ),
    "an archive in it": (zipped(("a.zip", zipped(("a.gpx", gpx())))), "without a recording in it"),
    "an archive in a KMZ": (zipped(("doc.kml", zipped(("doc.kml", KML)))), "it looks like a zip archive"),
    "an archive in a KMZ in it": (
        zipped(("a.kmz", zipped(("doc.kml", zipped(("doc.kml", KML)))))),
        "looks like a zip arch",
    ),
    "another packing": (zipped(("a.gpx", gpx()), packing=zipfile.ZIP_LZMA), "cannot be unpacked .an unusual way"),
    "larger than it is": (
        longer(zipped(("a.gpx", gpx()), packing=zipfile.ZIP_STORED)),
        "cannot be unpacked .it breaks",
    ),
    "cut off": (zipped(("a.gpx", gpx()))[:-30], "is a zip archive that cannot be unpacked"),
}


@pytest.mark.parametrize("what", NOT_ONE)
def test_archives_without_just_one_recording_are_refused(what: str) -> None:
    """An archive with several recordings or none is refused, with what is in it and what to do."""
    data, says = NOT_ONE[what]
    with pytest.raises(TrackError, match=says):
        read_recording(data, "a.zip")


def test_an_archive_of_too_many_files_is_refused_before_it_is_opened(monkeypatch: pytest.MonkeyPatch) -> None:
    """The files are counted before their list is built, so that a long list cannot fill the memory."""
    monkeypatch.setattr(limits, "MAX_MEMBERS", 3)
    assert len(list(Archive(zipped(*((str(i), b"") for i in range(3))), "a").members())) == 3
    monkeypatch.setattr(zipfile, "ZipFile", None)
    with pytest.raises(TrackError, match="more than 3 files in it"):
        Archive(zipped_four, "a")


zipped_four = zipped(*((str(i), b"") for i in range(4)))


def test_an_archive_cannot_unpack_to_more_than_its_limit_in_all() -> None:
    """Members that are each small enough are refused as soon as together they are too much."""
    archive = Archive(zipped(*((str(i), bytes(40)) for i in range(3))), "a", total=100)
    first, second, third = archive.members()
    assert len(first.content()) == len(second.content()) == 40
    with pytest.raises(TrackError, match="unpacks to more than"):
        third.content()


# ------------------------------------------------------------------------------------------- a whole account


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty working folder with a site ``s`` whose place is known from one walk, 1.gpx of 1 March."""
    monkeypatch.chdir(tmp_path)
    new_site(Path("s"), say=str)
    Path("1.gpx").write_bytes(gpx(1))
    add(Path("s"), WalksToAdd([WalkToAdd("1.gpx")]), str)
    return tmp_path


def outings(site: str = "s") -> dict[str, str]:
    """Ids of a site's outings with the names of their files as given."""
    entries = tomllib.loads(Path(site, "outings.toml").read_text(encoding="utf-8")).get("outing", [])
    return {entry["id"]: entry["recording"][0]["name"] for entry in entries}


ACCOUNT = (
    ("activities/9.gpx", gpx(9)),
    ("activities/8.gpx.gz", gzip.compress(gpx(8))),
    ("media/a.png", b"\x89PNG"),
    ("../../7.kmz", zipped(("doc.kml", KML.replace(b"3.20", b"-30.00").replace(b" 55.50", b" 40.00")))),
    ("old.gpx", gpx(1)),
    ("again/9.gpx", gpx(9)),
    ("9.gpx.gz", gzip.compress(gpx(9))),
    ("plan.gpx", PLAN),
    ("away.gpx", gpx(7, -20)),
    ("inside.zip", zipped(("a.gpx", gpx(5)))),
    ("field.geojson", geojson(feature("Polygon", [[[3, 55], [3.1, 55], [3.1, 55.1], [3, 55]]]))),
    ("list.csv", b"file,coil\na,28cm\n"),
    ("cut.gpx", gpx(4)[:20]),
    ("one.gpx", gpx(4, fixes=1)),
)


def test_every_recording_of_the_site_becomes_an_outing_and_the_rest_is_listed(
    here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """From an account's export the walks of this site are added as they stand; all else is told with its reason."""
    Path("export.zip").write_bytes(zipped(*ACCOUNT))
    assert main(["add", "s", "export.zip", "--each", "--coil", "28cm"]) == 0
    err = capsys.readouterr().err
    assert outings() == {
        "2026-03-01a": "1.gpx",
        "2026-03-07a": "7.kmz",
        "2026-03-08a": "8.gpx.gz",
        "2026-03-09a": "9.gpx",
    }
    for name, reason in (
        ("media/a.png", "is not a recording: it looks like a picture"),
        ("old.gpx", "was added before, in outing 2026-03-01a"),
        ("again/9.gpx", "is the same recording as activities/9.gpx"),
        ("9.gpx.gz", "is the same recording as activities/9.gpx"),
        ("plan.gpx", "holds no track points, only 1 route with 1 point"),
        ("away.gpx", "the walk is 853 km away from the site"),
        ("inside.zip", "is an archive inside the archive, which is not opened"),
        ("field.geojson", "holds no walk in GeoJSON, only 1 polygon"),
        ("list.csv", "is a table, but not of a walk"),
        ("cut.gpx", "holds no track points"),
        ("one.gpx", ""),
    ):
        assert f"  not added: {name}: {reason}" in err
    assert err.count("not added: ") == 11 and "3 recordings to add, 11 files not added" in err
    stored = {path.name: path.read_bytes() for path in Path("s", "tracks").iterdir()}
    for name, content in (("2026-03-08a-8.gpx.gz", ACCOUNT[1][1]), ("2026-03-07a-7.kmz", ACCOUNT[3][1])):
        assert hashlib.sha256(stored[name]).digest() == hashlib.sha256(content).digest()
    assert sorted(path.name for path in here.iterdir()) == ["1.gpx", "export.zip", "s"]
    assert main(["report", "s"]) == 0


def test_an_archive_with_nothing_for_the_site_is_an_error(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """When nothing can be taken, the list of reasons comes with an error, and the site stays as it was."""
    Path("export.zip").write_bytes(zipped(*ACCOUNT[4:5], *ACCOUNT[8:10]))
    assert main(["add", "s", "export.zip", "--each"]) == 1
    err = capsys.readouterr().err
    assert err.count("not added: ") == 3 and "export.zip: holds nothing that can be added to this site" in err
    assert list(outings()) == ["2026-03-01a"]


def test_a_recording_is_taken_once_in_its_longest_form(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Of copies that differ in bytes or length the longest is added, and one that the site has is not added again."""
    rounded = gpx(3, fixes=50).replace(b"0000000", b"000000")
    members = ("cut.gpx", rounded), ("whole.gpx", gpx(3)), ("1.gpx.gz", gzip.compress(gpx(1))), ("2.gpx", gpx(2))
    Path("export.zip").write_bytes(zipped(*members))
    assert main(["add", "s", "export.zip", "--each"]) == 0
    assert outings() == {"2026-03-01a": "1.gpx", "2026-03-02a": "2.gpx", "2026-03-03a": "whole.gpx"}
    err = capsys.readouterr().err
    assert "cut.gpx: holds less of the same recording than whole.gpx" in err
    assert "1.gpx.gz: holds the same recording as 1.gpx, which was added before, in outing 2026-03-01a" in err


def test_adding_the_export_again_adds_only_what_is_new(here: Path) -> None:
    """A later export of the same account adds the walks since, and no walk twice."""
    Path("export.zip").write_bytes(zipped(*ACCOUNT[:2]))
    assert main(["add", "s", "export.zip", "--each"]) == 0
    Path("export.zip").write_bytes(zipped(*ACCOUNT[:2], ("new.gpx", gpx(20))))
    assert main(["add", "s", "export.zip", "--each"]) == 0
    assert list(outings()) == ["2026-03-01a", "2026-03-08a", "2026-03-09a", "2026-03-20a"]


def test_a_site_without_a_place_takes_walks_that_lie_together(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The first walks of a site may come out of an archive, but not when nobody could tell which field is meant."""
    new_site(Path("new"), say=str)
    far = ("far.gpx", gpx(3, -20, fixes=900))
    for others, said in (((("a.gpx", gpx(2)),), "a.gpx"), ((("a.gpx", gpx(2)), ("b.gpx", gpx(4))), "a.gpx and 1 more")):
        Path("mixed.zip").write_bytes(zipped(*others, far))
        assert main(["add", "new", "mixed.zip", "--each"]) == 1
        apart = f"mixed.zip: recordings lie far apart, and the site has no location yet: far.gpx 853 km from {said}."
        assert f"{apart} Start the site with --boundary" in capsys.readouterr().err
    Path("one.zip").write_bytes(zipped(("b.gpx", gpx(3)), ("a.gpx", gpx(2)), ("c.gpx", gpx(4, fixes=1))))
    assert main(["add", "new", "one.zip", "--each"]) == 0
    assert outings("new") == {"2026-03-02a": "a.gpx", "2026-03-03a": "b.gpx"}


def test_without_each_and_in_a_map_an_archive_of_several_is_refused(
    here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Several recordings in one archive are no single outing, and the message tells how to add each one."""
    Path("export.zip").write_bytes(zipped(*ACCOUNT[:2]))
    for command in (["add", "s"], ["map"]):
        assert main([*command, "export.zip"]) == 1
        assert "fieldcomb add SITE ARCHIVE --each" in capsys.readouterr().err


def test_other_files_and_kmz_are_added_as_they_are(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """With --each a file that is no archive becomes an outing, and so does a KMZ."""
    Path("2.gpx").write_bytes(gpx(2))
    Path("a.kmz").write_bytes(ACCOUNT[3][1])
    assert main(["add", "s", "2.gpx", "a.kmz", "--each"]) == 0
    assert outings() == {"2026-03-01a": "1.gpx", "2026-03-02a": "2.gpx", "2026-03-07a": "a.kmz"}
    assert "not added" not in capsys.readouterr().err


def test_a_walk_beside_an_archive_that_has_it_too_is_added_once(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Of a file and the same walk in an archive the file is added, and the member is listed as its copy."""
    Path("own.gpx").write_bytes(gpx(9))
    Path("export.zip").write_bytes(zipped(*ACCOUNT[:2]))
    assert main(["add", "s", "own.gpx", "export.zip", "--each"]) == 0
    assert outings() == {"2026-03-01a": "1.gpx", "2026-03-08a": "8.gpx.gz", "2026-03-09a": "own.gpx"}
    assert "activities/9.gpx: is the same recording as own.gpx" in capsys.readouterr().err


def test_a_window_holds_for_every_recording(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What is outside --from and --to leaves nothing of a recording, which is then told and not added."""
    Path("export.zip").write_bytes(zipped(*ACCOUNT[:2]))
    assert main(["add", "s", "export.zip", "--each", "--from", "2026-03-09T00:00"]) == 0
    assert outings() == {"2026-03-01a": "1.gpx", "2026-03-09a": "9.gpx"}
    assert "1 file not added\n  not added: activities/8.gpx.gz: no usable fix is left" in capsys.readouterr().err


def test_members_are_not_all_in_memory_at_once(here: Path) -> None:
    """Thirty more walks of other places in an export take up less memory than a quarter of their size unpacked."""
    other, peaks = gpx(2, -20, 500), []
    gc.freeze()  # so that collecting is quick
    often = gc.get_threshold()
    gc.set_threshold(100, 1, 1)  # what waits to be collected is not kept, but would be counted
    try:
        for count in (10, 40):
            Path("export.zip").write_bytes(
                zipped(*((f"{i}.gpx", other) for i in range(count)), ("n.gpx", gpx(2 + count // 10)))
            )
            tracemalloc.start()
            assert len(add(Path("s"), WalksToAdd([WalkToAdd("export.zip")], split=Split.RECORDINGS), str)) == 1
            peaks.append(tracemalloc.get_traced_memory()[1])
            tracemalloc.stop()
    finally:
        gc.set_threshold(*often)
        gc.unfreeze()
    assert peaks[1] - peaks[0] < 30 * len(other) / 4


def test_a_damaged_member_does_not_stop_the_rest(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One member whose bytes were changed is told as damaged, and the others are added."""
    packed = bytearray(zipped(*ACCOUNT[:2]))
    packed[120] ^= 0xFF
    Path("export.zip").write_bytes(packed)
    assert main(["add", "s", "export.zip", "--each"]) == 0
    assert list(outings().values()) == ["1.gpx", "8.gpx.gz"]
    assert "activities/9.gpx: cannot be unpacked" in capsys.readouterr().err
