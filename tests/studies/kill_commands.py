"""Kill every command, and fail its disk, at random steps with links and read-only parts about; nothing may be lost.

    .venv/bin/python tests/studies/kill_commands.py [--count 1000] [--seed 1] [--minutes 0] [--only WORDS]

Each trial does one thing (a command, or an order of the local page) in one layout of a site folder, with a kill, a
full or broken disk, or a limit on the size of files at one step, in a third of them twice in a row; then does it again
with nothing wrong. It must end as if nothing had happened: nothing that was confirmed is lost, nothing doubled, nothing
of the user's own touched, nothing left over. Prints what ended otherwise, and a summary; the exit code is 1 then.
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
import time
from collections import Counter
from itertools import product
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))
from faults import DOINGS, KILLED, LAYOUTS, Scene, faults_of, make_scene, make_world, suffer


def study(count: int, seed: int, minutes: float, only: str) -> int:
    """Do the trials and print how they ended; gives the number of those with something wrong."""
    source = random.Random(seed)
    places = [place for place in product(LAYOUTS, DOINGS) if only in " / ".join(place)]
    scenes: dict[tuple[str, str], Scene] = {}
    ends, bad = Counter[str](), 0
    until_s = time.monotonic() + (minutes or 1e6) * 60
    with tempfile.TemporaryDirectory() as temporary:
        plain = Path(temporary, "plain")
        make_world(plain)
        Path(temporary).chmod(0o755)
        for number in range(count):
            if time.monotonic() > until_s:
                break
            # Half of all without anything odd in the site: there most steps are reached.
            layout, doing = source.choice(places)
            if not only and source.random() < 0.5:
                layout = "plain"
            if (layout, doing) not in scenes:
                scenes[layout, doing] = make_scene(plain, Path(temporary, f"scene{len(scenes)}"), layout, doing)
            scene = scenes[layout, doing]
            faults = tuple(source.sample(faults_of(scene, 5, source), 2 if source.random() < 1 / 3 else 1))
            wrong, end = suffer(scene, faults)
            ends["killed" if end.code == KILLED else "done" if end.code == 0 else "refused"] += 1
            ends[f"fault {faults[0].kind}"] += 1
            ends["layout " + layout.split()[0]] += 1
            if wrong:
                bad += 1
                print(f"{number}: {layout} / {doing} / {faults}", *wrong, sep="\n    ", flush=True)
    trials = sum(ends[name] for name in ("killed", "done", "refused"))
    print(f"{trials} trials in {len(scenes)} scenes, {bad} with something wrong")
    print(*(f"  {name}: {many}" for name, many in sorted(ends.items())), sep="\n")
    return bad


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--minutes", type=float, default=0, help="Stop after so long. Default: never.")
    parser.add_argument("--only", default="", help="Only scenes with these words, such as 'link out / report'.")
    asked = parser.parse_args()
    sys.exit(1 if study(asked.count, asked.seed, asked.minutes, asked.only) else 0)
