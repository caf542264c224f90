"""What loading costs: ``--help``, and by library a map of one walk of the demo; figures only.

    python tests/benchmarks/bench_imports.py [RUNS]

``python -X importtime`` counts the clock, and so whatever else the machine does. Here each module's own part of the
processor's time is taken, in a process of its own, and of several runs the least.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path
from tempfile import TemporaryDirectory

WALK = Path(__file__).resolve().parents[2] / "demo" / "outing-1-west-large.gpx"
SHOWN = 12
MAIN = "import sys; from fieldcomb.coverage.commands.cli import main; sys.exit(main(sys.argv[1:]))"
TIMED = """
import json, sys, time
from importlib.machinery import ExtensionFileLoader, SourceFileLoader
own_s, inner_s = {}, []
def timed(loader):
    load = loader.exec_module
    def exec_module(self, module):
        began = time.process_time()
        inner_s.append(0.0)
        try:
            return load(self, module)
        finally:
            whole_s = time.process_time() - began
            own_s[module.__name__] = whole_s - inner_s.pop()
            if inner_s:
                inner_s[-1] += whole_s
    loader.exec_module = exec_module
timed(SourceFileLoader)
timed(ExtensionFileLoader)
from fieldcomb.coverage.commands.cli import main
main(sys.argv[2:])
with open(sys.argv[1], "w", encoding="utf-8") as file:
    json.dump([time.process_time(), own_s], file)
"""


def run(code: str, arguments: list[str]) -> tuple[float, float]:
    """Run code in a process of its own; gives seconds on the clock and of the processor."""
    # Modules are compiled once and kept, as they are where the program is installed.
    surroundings = {key: value for key, value in os.environ.items() if key != "PYTHONDONTWRITEBYTECODE"}
    began = time.perf_counter()
    nowhere = subprocess.DEVNULL
    child = subprocess.Popen([sys.executable, "-c", code, *arguments], env=surroundings, stdout=nowhere, stderr=nowhere)
    _, status, usage = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode:
        sys.exit(f"{arguments} failed")
    return time.perf_counter() - began, usage.ru_utime + usage.ru_stime


def family(module: str) -> str:
    """Give the library of a module; of our own and of scipy also the part."""
    parts = module.split(".")
    return ".".join(parts[:2] if parts[0] in ("fieldcomb", "scipy") else parts[:1])


def loads(runs: int) -> None:
    """Print what a map of one walk loads, by library."""
    with TemporaryDirectory() as temp:
        told = Path(temp) / "told.json"
        least_s, own_s = float("inf"), Counter[str]()
        for _ in range(runs):
            run(
                TIMED, [str(told), "map", str(WALK), "--coil", "33cm", "--swath", "1.6m", "-o", str(Path(temp) / "map")]
            )
            whole_s, found = json.loads(told.read_text(encoding="utf-8"))
            least_s = min(least_s, whole_s)
            own_s = Counter({name: min(s, own_s.get(name, s)) for name, s in found.items()})
    by_library, modules = Counter[str](), Counter[str]()
    for name, s in own_s.items():
        by_library[family(name)] += s  # type: ignore[assignment]  # a Counter of seconds
        modules[family(name)] += 1
    print(f"map of one walk: {least_s:.2f} s of the processor, of which loading {own_s.total():.2f} s")
    for name, s in by_library.most_common(SHOWN):
        print(f"  {1e3 * s:6.0f} ms  {modules[name]:4} modules  {name}")


def main() -> None:
    """Measure and print."""
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 5
    costs = [run(MAIN, ["--help"]) for _ in range(runs + 1)][1:]
    wall_s, cpu_s = (min(cost) for cost in zip(*costs, strict=True))
    print(f"--help: {wall_s:.2f} s, {cpu_s:.3f} s of the processor")
    loads(runs)


if __name__ == "__main__":
    main()
