"""Builds the C kernels of two rooms while the package is built or installed for work on it.

They only make it faster: where there is no compiler, or no headers of Python, the package is built without them and
computes the same with numpy.
"""

from __future__ import annotations

import hashlib
import platform
import shutil
import sys
from contextlib import chdir
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

NAME = "_kernels"
ROOMS = (Path("tracks/compiled"), Path("coverage/compiled"))  # one set of kernels each
SHARED = ROOMS[0] / "borrow.c"
BUILT = (f"{NAME}*.so", f"{NAME}*.pyd")
# Every product and every sum is rounded by itself, as numpy does: the numbers are the same with and without kernels.
_STRICT = ["-O3", "-ffp-contract=off", "-fno-math-errno", "-fno-trapping-math", "-fopenmp-simd"]
STRICT = [] if sys.platform == "win32" else _STRICT


def digest(root: Path) -> str:
    """Tell one state of the sources from another, so that tests can tell kernels that are out of date."""
    every = [path for room in ROOMS for path in sorted((root / room).glob("*.[ch]"))]
    return hashlib.sha256(b"".join(path.read_bytes() for path in every)).hexdigest()[:16]


def build(root: Path) -> bool:
    """Compile the kernels into their rooms under ``root``; tell whether there are any now."""
    with chdir(root):
        made = [_build_room(room, digest(root)) for room in ROOMS]
    return any(made)  # so that no wheel with kernels is taken for one of any machine


def _build_room(room: Path, sources_digest: str) -> bool:
    from setuptools import Distribution, Extension

    with TemporaryDirectory() as between:
        sources = sorted({path.as_posix() for path in (*room.glob("*.c"), SHARED)})
        macros = [("SOURCES", f'"{sources_digest}"')]
        extension = Extension(NAME, sources, define_macros=macros, extra_compile_args=STRICT)
        command: Any = Distribution({"name": NAME, "ext_modules": [extension]}).get_command_obj("build_ext")
        command.build_lib = command.build_temp = between
        command.ensure_finalized()
        try:
            command.run()
        except Exception as fault:  # compilers fail in many ways, and none may keep anybody from installing
            print(f"The kernels were not compiled, and numpy does their work: {fault}", file=sys.stderr)
        made = [path for pattern in BUILT for path in Path(between).glob(pattern)]
        for old in (path for pattern in BUILT for path in room.glob(pattern)):
            if old.name not in {path.name for path in made}:
                old.unlink()  # of other sources or another Python
        for path in made:
            shutil.copy2(path, room / f"{path.name}.new")
            (room / f"{path.name}.new").replace(room / path.name)  # in one step: somebody may be loading it
    return bool(made)


class KernelsHook(BuildHookInterface):
    """Puts the kernels into a wheel, which then fits one kind of machine only."""

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Called by the builder before it collects the files."""
        if self.target_name != "wheel" or platform.python_implementation() != "CPython":
            return
        if build(Path(self.root)):
            build_data["pure_python"] = False
            build_data["infer_tag"] = True


if __name__ == "__main__":
    sys.exit(not build(Path.cwd()))
