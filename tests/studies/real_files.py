"""Send every file in some folders through ``fieldcomb map``: each must end in a map or a message.

    .venv/bin/python tests/studies/real_files.py FOLDER [FOLDER ...] [--jobs 1] [--seconds 10] [--megabytes 1000]

For files that other projects test their readers with, or a collection of your own. Prints a line for each file that
ended in a traceback, was killed, or took longer or more memory than it may; then how the rest ended: maps, and
messages by their words. Each file has a process of its own, which is stopped at six times the limits. The exit code
is 1 when something went wrong.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import os
import re
import resource
import sys
import tempfile
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

ENDINGS = (".gpx", ".fit", ".tcx", ".kml", ".kmz", ".geojson", ".json", ".csv", ".txt", ".gz", ".zip", ".xml")


@dataclass(frozen=True, slots=True)
class End:
    """How one file ended: exit code (-1 for a traceback), its last words, CPU seconds, peak memory in MB."""

    path: Path
    code: int
    words: str
    cpu_s: float
    peak_mb: float


def end_of(path: Path, seconds: float, megabytes: float) -> End:
    """Map one file in a process of its own."""
    read_end, write_end = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(read_end)
        resource.setrlimit(resource.RLIMIT_CPU, (int(seconds * 6), int(seconds * 6) + 1))
        resource.setrlimit(resource.RLIMIT_AS, (int(megabytes * 6e6),) * 2)
        code, words = _mapped(path)
        os.write(write_end, json.dumps([code, words[-600:]]).encode())
        os._exit(0)
    os.close(write_end)
    with os.fdopen(read_end, "rb") as pipe:
        said = pipe.read()
    _, status, used = os.wait4(child, 0)
    code, words = json.loads(said) if said else (-1, f"killed by signal {os.WTERMSIG(status)}")
    return End(path, code, words, used.ru_utime + used.ru_stime, used.ru_maxrss / 1000)


def _mapped(path: Path) -> tuple[int, str]:
    from fieldcomb.coverage.commands.cli import main

    talk, data = io.StringIO(), io.StringIO()
    with tempfile.TemporaryDirectory() as out, contextlib.redirect_stderr(talk), contextlib.redirect_stdout(data):
        try:
            code = main(["map", str(path), "--json", "-o", out])
        except BaseException as error:
            import traceback

            return -1, "".join(traceback.format_exception(error))
    if code == 0:
        json.loads(data.getvalue())
    return code, next((line for line in reversed(talk.getvalue().splitlines()) if line.strip()), "")


def files_below(folders: list[Path]) -> list[Path]:
    """Every file that could be a recording, in order."""
    return sorted(
        path for top in folders for path in top.rglob("*") if path.suffix.lower() in ENDINGS and path.is_file()
    )


def main() -> int:
    """Try all files; print what went wrong and a summary."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folders", nargs="+", type=Path)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=10)
    parser.add_argument("--megabytes", type=float, default=1000)
    given = parser.parse_args()
    import fieldcomb.coverage.survey.survey  # noqa: F401  # loaded once, so that each process starts with it

    with ThreadPoolExecutor(given.jobs) as pool:
        ends = list(pool.map(lambda path: end_of(path, given.seconds, given.megabytes), files_below(given.folders)))
    wrong = 0
    for end in ends:
        over = end.cpu_s > given.seconds or end.peak_mb > given.megabytes
        if end.code < 0 or over:
            wrong += 1
            print(
                f"{end.path}: code {end.code}, {end.cpu_s:.1f} s, {end.peak_mb:.0f} MB\n    {end.words.strip()[-400:]}"
            )
    kinds = Counter(
        re.sub(r"[\d.]+", "#", re.sub(r"^.*?: (?=\S+: |\S)", "", end.words))[:90] for end in ends if end.code
    )
    maps = sum(end.code == 0 for end in ends)
    slowest = max(ends, key=lambda end: end.cpu_s, default=None)
    print(f"{len(ends)} files: {maps} maps, {len(ends) - maps - wrong} messages, {wrong} went wrong")
    if slowest:
        print(f"slowest {slowest.cpu_s:.1f} s, most memory {max(end.peak_mb for end in ends):.0f} MB")
    for words, count in kinds.most_common(40):
        print(f"  {count:5d}  {words}")
    return int(wrong > 0)


if __name__ == "__main__":
    sys.exit(main())
