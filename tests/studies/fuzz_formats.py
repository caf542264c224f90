"""Damage small recordings of every format many thousand times, and see that each ends in fixes or a message.

    .venv/bin/python tests/studies/fuzz_formats.py [--count 20000] [--seed 1] [--drawn 100] [FORMAT ...]

Of the recordings that are read, one of so many is drawn as a map, too. A warning of a library counts as a traceback.
Each format has a process of its own, whose memory is limited: a reader that asks for more fails with a traceback, which
is counted. The samples, and how they are damaged, are in ``format_samples.py``. Not a test: the suite does some hundred
of each. The exit code is 1 when there was a traceback.
"""

from __future__ import annotations

import argparse
import multiprocessing
import random
import resource
import sys
import time
import traceback
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))

from format_checks import damaged
from format_samples import SAMPLES

from fieldcomb.coverage.actions.add import addition_to
from fieldcomb.coverage.actions.draw import draw_addition
from fieldcomb.coverage.actions.given_walks import WalksToAdd, WalkToAdd
from fieldcomb.coverage.actions.new_site import new_site_files
from fieldcomb.coverage.site.folder import site_of
from fieldcomb.tracks.errors import FieldcombError, TrackError
from fieldcomb.tracks.formats.read import FORMATS, read_recording

MEMORY_BYTES = 1024 * 1024 * 1024
SHOWN = 3  # tracebacks printed of each format


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of all damaged files of one format."""

    kind: str
    recordings: int
    refusals: int
    maps: int
    tracebacks: tuple[str, ...]
    slowest_s: float  # of the processor
    start_mb: float
    peak_mb: float


def _memory_mb() -> float:
    """Most memory that this process has had; kilobytes on Linux, bytes on macOS."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (1e6 if sys.platform == "darwin" else 1e3)


def is_drawn(data: bytes) -> bool:
    """Draw a map of one walk, or see that it is refused with a message."""
    site = site_of(new_site_files("damaged", "UTC", "50cm", None)[0], Path())
    with TemporaryDirectory() as folder:
        file = Path(folder, "damaged")
        file.write_bytes(data)
        try:
            addition = addition_to(site, WalksToAdd([WalkToAdd(str(file))]), str)
            draw_addition(addition, Path(folder), depth_m=None, say=str, progress=lambda *_: None)
        except FieldcombError as error:
            str(error)
            return False
    return True


def run(task: tuple[str, int, int, int]) -> Outcome:
    """Damage and read the samples of one format."""
    kind, count, seed, drawn = task
    warnings.simplefilter("error")
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))
    rng = random.Random(f"{kind} {seed}")
    everything = [sample for samples in SAMPLES.values() for sample in samples]
    for sample in SAMPLES[kind]:
        read_recording(sample, "sound")
    recordings = refusals = maps = 0
    tracebacks, slowest_s, start_mb = [], 0.0, _memory_mb()
    for number in range(count):
        data = damaged(rng.choice(SAMPLES[kind]), rng.choice(everything), rng)
        begun_s = time.process_time()
        try:
            read_recording(data, f"{kind} {number}")
            recordings += 1
            if recordings % drawn == 0:
                maps += is_drawn(data)
        except TrackError as error:
            str(error)
            refusals += 1
        except Exception:
            tracebacks.append(f"{kind}, seed {seed}, number {number}\n{traceback.format_exc()}")
        slowest_s = max(slowest_s, time.process_time() - begun_s)
    return Outcome(kind, recordings, refusals, maps, tuple(tracebacks), slowest_s, start_mb, _memory_mb())


def main(args: Sequence[str] | None = None) -> int:
    """Print one line for each format."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("formats", nargs="*", metavar="FORMAT", help=f"any of {', '.join(SAMPLES)}; all if none")
    parser.add_argument("--count", type=int, default=20_000, help="files of each format")
    parser.add_argument("--drawn", type=int, default=100, help="one of so many recordings is drawn as a map")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2, help="processes at a time")
    given = parser.parse_args(args)
    unknown = set(given.formats) - SAMPLES.keys()
    if unknown:
        parser.error(f"no samples of {', '.join(sorted(unknown))}")
    missing = [known.name for known in FORMATS if known.name not in SAMPLES]
    if missing:
        print(f"no samples of {', '.join(missing)}: add some to tests/support/format_samples.py")
    tasks = [(kind, given.count, given.seed, given.drawn) for kind in given.formats or SAMPLES]
    heads = ("files", "recordings", "refusals", "maps", "tracebacks", "slowest, s", "peak, MB", "at start")
    print(f"{'format':10}" + "".join(f"{head:>12}" for head in heads))
    failed = False
    with multiprocessing.get_context("spawn").Pool(given.jobs, maxtasksperchild=1) as pool:
        for one in pool.imap(run, tasks, chunksize=1):
            counts = (given.count, one.recordings, one.refusals, one.maps, len(one.tracebacks))
            sizes = f"{one.slowest_s:12.3f}{one.peak_mb:12.0f}{one.start_mb:12.0f}"
            print(f"{one.kind:10}" + "".join(f"{count:12}" for count in counts) + sizes)
            for text in one.tracebacks[:SHOWN]:
                print(text)
            failed = failed or bool(one.tracebacks)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
