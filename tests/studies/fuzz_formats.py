"""Damage small recordings of every format many thousand times, and see that each ends in fixes or a message.

    .venv/bin/python tests/studies/fuzz_formats.py [--count 20000] [--seed 1] [FORMAT ...]

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
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))

from format_checks import damaged
from format_samples import SAMPLES

from fieldcomb.tracks.errors import TrackError
from fieldcomb.tracks.formats.read import FORMATS, read_recording

MEMORY_BYTES = 1024 * 1024 * 1024
SHOWN = 3  # tracebacks printed of each format


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of all damaged files of one format."""

    kind: str
    recordings: int
    refusals: int
    tracebacks: tuple[str, ...]
    slowest_s: float
    start_mb: float
    peak_mb: float


def _memory_mb() -> float:
    """Most memory that this process has had; kilobytes on Linux, bytes on macOS."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (1e6 if sys.platform == "darwin" else 1e3)


def run(task: tuple[str, int, int]) -> Outcome:
    """Damage and read the samples of one format."""
    kind, count, seed = task
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))
    rng = random.Random(f"{kind} {seed}")
    everything = [sample for samples in SAMPLES.values() for sample in samples]
    for sample in SAMPLES[kind]:
        read_recording(sample, "sound")
    recordings = refusals = 0
    tracebacks, slowest_s, start_mb = [], 0.0, _memory_mb()
    for number in range(count):
        data = damaged(rng.choice(SAMPLES[kind]), rng.choice(everything), rng)
        begun_s = time.perf_counter()
        try:
            read_recording(data, f"{kind} {number}")
            recordings += 1
        except TrackError as error:
            str(error)
            refusals += 1
        except Exception:
            tracebacks.append(f"{kind}, seed {seed}, number {number}\n{traceback.format_exc()}")
        slowest_s = max(slowest_s, time.perf_counter() - begun_s)
    return Outcome(kind, recordings, refusals, tuple(tracebacks), slowest_s, start_mb, _memory_mb())


def main(args: Sequence[str] | None = None) -> int:
    """Print one line for each format."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("formats", nargs="*", metavar="FORMAT", help=f"any of {', '.join(SAMPLES)}; all if none")
    parser.add_argument("--count", type=int, default=20_000, help="files of each format")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2, help="processes at a time")
    given = parser.parse_args(args)
    unknown = set(given.formats) - SAMPLES.keys()
    if unknown:
        parser.error(f"no samples of {', '.join(sorted(unknown))}")
    missing = [known.name for known in FORMATS if known.name not in SAMPLES]
    if missing:
        print(f"no samples of {', '.join(missing)}: add some to tests/support/format_samples.py")
    tasks = [(kind, given.count, given.seed) for kind in given.formats or SAMPLES]
    heads = ("files", "recordings", "refusals", "tracebacks", "slowest, s", "peak, MB", "at start")
    print(f"{'format':10}" + "".join(f"{head:>12}" for head in heads))
    failed = False
    with multiprocessing.get_context("spawn").Pool(given.jobs, maxtasksperchild=1) as pool:
        for one in pool.imap(run, tasks, chunksize=1):
            counts = (given.count, one.recordings, one.refusals, len(one.tracebacks))
            sizes = f"{one.slowest_s:12.3f}{one.peak_mb:12.0f}{one.start_mb:12.0f}"
            print(f"{one.kind:10}" + "".join(f"{count:12}" for count in counts) + sizes)
            for text in one.tracebacks[:SHOWN]:
                print(text)
            failed = failed or bool(one.tracebacks)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
