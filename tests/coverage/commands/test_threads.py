from __future__ import annotations

import json
import os
import subprocess
import sys

CODE = """
import json, os
from fieldcomb.coverage.commands.cli import main
main(["--help"])
import numpy
a = numpy.random.default_rng(1).random((700, 700))
for _ in range(3):
    a @ a
print(json.dumps(len(os.listdir("/proc/self/task")) if os.path.isdir("/proc/self/task") else 1))
"""


def test_linear_algebra_takes_one_thread() -> None:
    """A command starts no threads for sums of matrices: they cost more than they save, and sums stay the same."""
    surroundings = {key: value for key, value in os.environ.items() if not key.endswith("_NUM_THREADS")}
    command = [sys.executable, "-c", CODE]
    done = subprocess.run(command, env=surroundings, capture_output=True, text=True, check=True)
    assert json.loads(done.stdout.splitlines()[-1]) == 1
