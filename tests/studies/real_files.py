"""Send every file in some folders through the commands: each must end in a map and a report, or in a message.

    .venv/bin/python tests/studies/real_files.py FOLDER [FOLDER ...] [--jobs 1] [--seconds 10] [--megabytes 1000]

For files that other projects test their readers with, or a collection of your own. Each is drawn by ``map``, and added
to a site of its own, of which a report is made; what ``add`` takes must have a report, and both must say the same.
Prints a line for each file that ended in a traceback, was killed, or took longer or more memory than it may; then how
the rest ended: maps, and messages by their words. Each file has a process of its own, which is stopped at some times
the limits. The exit code is 1 when something went wrong.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import multiprocessing
import os
import re
import resource
import sys
import tempfile
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

ENDINGS = (".gpx", ".fit", ".tcx", ".kml", ".kmz", ".geojson", ".json", ".csv", ".txt", ".gz", ".zip", ".xml")


@dataclass(frozen=True, slots=True)
class End:
    """How one file ended: exit code (-1 for what must not be), its last words, CPU seconds, peak memory in MB."""

    path: Path
    code: int
    words: str
    cpu_s: float
    peak_mb: float


def end_of(task: tuple[Path, float, float]) -> End:
    """Do everything with one file, in a process of its own."""
    path, seconds, megabytes = task
    read_end, write_end = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(read_end)
        resource.setrlimit(resource.RLIMIT_CPU, (int(seconds * 9), int(seconds * 9) + 1))
        resource.setrlimit(resource.RLIMIT_AS, (int(megabytes * 6e6),) * 2)
        code, words = _done(path)
        os.write(write_end, json.dumps([code, words[-600:]]).encode())
        os._exit(0)
    os.close(write_end)
    with os.fdopen(read_end, "rb") as pipe:
        said = pipe.read()
    _, status, used = os.wait4(child, 0)
    code, words = json.loads(said) if said else (-1, f"killed by signal {os.WTERMSIG(status)}")
    return End(path, code, words, used.ru_utime + used.ru_stime, used.ru_maxrss / 1000)


def _done(path: Path) -> tuple[int, str]:
    with tempfile.TemporaryDirectory() as folder:
        site = str(Path(folder, "site"))
        code, words, mapped = _run(["map", str(path), "--json", "-o", str(Path(folder, "map"))])
        made = _run(["new", site, "--zone", "UTC"])
        added, added_words, _ = _run(["add", site, str(path)]) if made[0] == 0 else made
        if -1 in (code, made[0], added):
            return -1, f"{words}\n{added_words}"
        if (code == 0) != (added == 0):
            return -1, f"map says {words!r}, add says {added_words!r}"
        if code:
            return code, words
        code, words, told = _run(["report", site, "--json"])
        if code == 0 and json.loads(mapped)["total"] != json.loads(told)["total"]:
            return -1, "map and report do not say the same"
        return (0, words) if code == 0 else (-1, f"was added, but has no report: {words}")


def _run(typed: list[str]) -> tuple[int, str, str]:
    from fieldcomb.coverage.commands.cli import main

    talk, data = io.StringIO(), io.StringIO()
    with contextlib.redirect_stderr(talk), contextlib.redirect_stdout(data):
        try:
            code = main(typed)
        except BaseException as error:
            import traceback

            return -1, "".join(traceback.format_exception(error)), ""
    return code, next((line for line in reversed(talk.getvalue().splitlines()) if line.strip()), ""), data.getvalue()


def _load() -> None:
    """Load everything once, so that each file's process starts with it."""
    import fieldcomb.coverage.actions.add
    import fieldcomb.coverage.actions.outputs
    import fieldcomb.coverage.survey.survey  # noqa: F401


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
    tasks = [(path, given.seconds, given.megabytes) for path in files_below(given.folders)]
    ends, wrong = [], 0
    with multiprocessing.get_context("spawn").Pool(given.jobs, _load) as pool:
        for end in pool.imap(end_of, tasks):
            ends.append(end)
            # Three commands have loaded once what each would load by itself.
            if end.code < 0 or end.cpu_s > 3 * given.seconds or end.peak_mb > given.megabytes:
                wrong += 1
                used = f"{end.cpu_s:.1f} s, {end.peak_mb:.0f} MB"
                print(f"{end.path}: code {end.code}, {used}\n    {end.words.strip()[-400:]}", flush=True)
    kinds = Counter(
        re.sub(r"[\d.]+", "#", end.words.partition(f"{end.path.name}: ")[2] or end.words)[:120]
        for end in ends
        if end.code
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
