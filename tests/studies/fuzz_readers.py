"""Fuzz every reader by coverage: inputs that reach new lines of the readers are kept and damaged further.

    .venv/bin/pip install atheris
    .venv/bin/python tests/studies/fuzz_readers.py [--seconds 3600] [--corpus FOLDER] [NAME ...]

NAME is a format of ``tracks/formats/read.py``, or ``any`` (whatever the bytes look like), ``areas``, ``roster``,
``pegs``, ``site`` or ``outings``. Each has a process of its own. An error that is no message for the user, an input
that takes over 5 s, or more than 2 GB of memory ends that process; the input is then in FOLDER as ``NAME-
crash-...``. Make a test of it and mend the reader. The corpus starts with the samples of the test suite and stays
in FOLDER, so that the next run goes on from there.
"""

from __future__ import annotations

import argparse
import contextlib
import subprocess
import sys
import warnings
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))

Target = Callable[[bytes], object]
SITE_TOML = b'name = "field"\nzone = "Europe/Oslo"\ncell = "10cm"\n[coils.small]\nsize = "13x20cm"\nswath = "1.2m"\n'
OUTINGS_TOML = (
    b'[[outing]]\nid = "2026-03-07a"\ncoil = "small"\n[[outing.recording]]\nfile = "2026-03-07a-w.gpx"\n'
    b'name = "w.gpx"\nsha256 = "' + b"0" * 64 + b'"\n'
)
ROSTER = b"file,searcher,coil,swath,gps,from,to\na.gpx,Ann,28cm,1.4m,good,09:00,10:00\n,Bob,,,,,\n"
PEGS = b"name,lat,lon\nA,55.5,3.2\nB,55.501,3.201\n"
AREA = (
    b'{"type":"FeatureCollection","features":[{"type":"Feature","properties":{"kind":"site"},"geometry":{"type":"Polygon",'
    b'"coordinates":[[[3.2,55.5],[3.201,55.5],[3.201,55.501],[3.2,55.501],[3.2,55.5]]]}}]}'
)


def targets() -> dict[str, tuple[Target, list[bytes]]]:
    """What can be fuzzed: by name a function of bytes, and inputs to start from."""
    from format_samples import SAMPLES

    from fieldcomb.coverage.areas.areas import read_areas
    from fieldcomb.coverage.site.peg_file import read_pegs
    from fieldcomb.coverage.site.roster import read_roster
    from fieldcomb.coverage.site.settings_file import read_outings, read_settings
    from fieldcomb.tracks.formats.read import FORMATS, read_recording
    from fieldcomb.tracks.units import parse_zone

    zone = parse_zone("Europe/Oslo")
    samples = {name: list(data) if isinstance(data, list | tuple) else [data] for name, data in SAMPLES.items()}
    every = [data for group in samples.values() for data in group]
    found: dict[str, tuple[Target, list[bytes]]] = {
        form.name: ((lambda data, form=form: form.read(data, "f")), samples.get(form.name, every)) for form in FORMATS
    }
    return found | {
        "any": (lambda data: read_recording(data, "f"), every),
        "areas": (lambda data: read_areas(data, "f"), [AREA, *every]),
        "roster": (lambda data: read_roster(data, "f"), [ROSTER]),
        "pegs": (lambda data: read_pegs(data, "f"), [PEGS]),
        "site": (lambda data: read_settings(data, "f"), [SITE_TOML]),
        "outings": (lambda data: read_outings(data, "f", zone), [OUTINGS_TOML]),
    }


def fuzz(name: str, seconds: int, folder: Path) -> None:
    """Fuzz one reader in this process; returns only by leaving it."""
    import atheris

    with atheris.instrument_imports(include=["fieldcomb"]):
        from fieldcomb.tracks.errors import FieldcombError

        target, seeds = targets()[name]
    warnings.simplefilter("error")  # a warning of a library must not reach a user
    corpus = folder / name
    corpus.mkdir(parents=True, exist_ok=True)
    for number, seed in enumerate(seeds):
        (corpus / f"seed-{number}").write_bytes(seed)

    def one(data: bytes) -> None:
        with contextlib.suppress(FieldcombError):
            target(data)

    options = [f"-max_total_time={seconds}", "-timeout=5", "-rss_limit_mb=2000", "-max_len=20000"]
    options += [f"-artifact_prefix={folder}/{name}-", "-print_final_stats=1", "-verbosity=0"]
    atheris.Setup([sys.argv[0], str(corpus), *options], one)
    atheris.Fuzz()


def main() -> int:
    """Fuzz all readers that were named, one after another, with an equal share of the time."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("names", nargs="*", metavar="NAME")
    parser.add_argument("--seconds", type=int, default=3600)
    parser.add_argument("--corpus", type=Path, default=Path("fuzz-corpus"))
    parser.add_argument("--here", action="store_true", help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.here:
        fuzz(given.names[0], given.seconds, given.corpus)
    names = given.names or list(targets())
    crashed = []
    for name in names:
        share = max(1, given.seconds // len(names))
        again = [sys.executable, __file__, name, "--here", "--seconds", str(share), "--corpus", str(given.corpus)]
        done = subprocess.run(again, capture_output=True, text=True, check=False)
        runs = next((line.split()[-1] for line in done.stderr.splitlines() if "number_of_executed_units" in line), "?")
        print(f"{name}: {runs} inputs, {'nothing found' if done.returncode == 0 else 'FOUND SOMETHING'}", flush=True)
        if done.returncode:
            crashed.append(name)
            print("    " + "\n    ".join((done.stdout + done.stderr).splitlines()[-25:]), flush=True)
    return int(bool(crashed))


if __name__ == "__main__":
    sys.exit(main())
