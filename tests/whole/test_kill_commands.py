"""Every command killed, or failed by its disk, at some of its steps: nothing is lost, doubled, touched or left over.

``tests/studies/kill_commands.py`` does the same at random steps, as often as is wanted.
"""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

if not hasattr(os, "fork"):
    pytest.skip("needs processes that can be copied", allow_module_level=True)

from faults import DOINGS, KILLED, Fault, make_scene, make_world, suffer


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make a world with a site whose map is older than its outings."""
    world = tmp_path_factory.mktemp("plain") / "world"
    make_world(world)
    return world


@pytest.mark.parametrize("doing", DOINGS)
def test_a_kill_or_a_full_disk_at_any_step_is_made_good_by_trying_again(
    plain: Path, tmp_path: Path, doing: str
) -> None:
    """What was confirmed is kept; done again, the site and its files are as if nothing had gone wrong."""
    scene = make_scene(plain, tmp_path / "scene", "plain", doing)
    assert scene.steps > 5 and scene.before != scene.after
    kills = [Fault("kill", scene.steps * share // 8) for share in (2, 6)]
    for fault in kills:
        wrong, end = suffer(scene, (fault,))
        assert wrong == [] and end.code == KILLED, fault
    disks = [Fault("on", scene.steps * 3 // 4), Fault("limit", 100), Fault("once", scene.steps - 3, errno.EIO)]
    for fault in disks[len(doing) % 3 :][:1]:
        assert suffer(scene, (fault,))[0] == [], fault


@pytest.mark.parametrize(
    ("layout", "doing"),
    [
        ("own files", "report"),
        ("link out", "page edit"),
        ("link out/kept", "report"),
        ("link tracks", "add"),
        ("link .lock", "edit"),
        ("link .pending-new", "add"),
        ("link .commit", "card"),
        ("link out/map.html", "report"),
        ("read-only site/out", "report"),
        ("read-only site/tracks", "add"),
        ("read-only elsewhere", "report -o"),
    ],
)
def test_links_own_files_and_read_only_parts_are_safe_from_a_command_that_is_killed(
    plain: Path, tmp_path: Path, layout: str, doing: str
) -> None:
    """What is the user's own stays as it is, behind links too, when a command is killed in the middle of its work."""
    scene = make_scene(plain, tmp_path / "scene", layout, doing)
    faults = (Fault("kill", scene.steps * 2 // 3), Fault("kill", scene.steps // 3))
    assert suffer(scene, faults)[0] == []
    assert suffer(scene, (Fault("on", scene.steps // 2),))[0] == []


def test_a_change_that_a_read_only_folder_does_not_allow_is_not_begun(plain: Path, tmp_path: Path) -> None:
    """Where recordings may not be written to, adding one is refused, and a kill at any step leaves nothing behind."""
    scene = make_scene(plain, tmp_path / "scene", "read-only site/tracks", "add --each")
    for at in range(scene.steps):
        assert suffer(scene, (Fault("kill", at),))[0] == [], at
