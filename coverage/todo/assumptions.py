"""What the ranking of what is still to do assumes: one setting each, told in plain words in docs/todo.md."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class TodoSettings:
    """What is assumed. None of it has a published source; see docs/todo.md.

    kernel_m : standard deviation of the kernel over which junk is averaged. grid_m : side of the cells that are
    ranked. least_m2 : smaller pieces are not listed. more_left : ground is listed where so much more is left than a
    good pass of the same user leaves on clean ground. junk_gain : or where a smaller coil hears so much more alone.
    g : chance that a target heard alone is dug. junk_per_m2 : taken where nothing was measured. recheck : who digs
    sweeps the hole again. not_recorded : chance that unrecorded ground was swept. crosswise : share of targets that
    only a second direction gives. pace_m_s : where no recording has times. target : the class of target that
    matters. depth_m, lift_m : how deep it lies, and how high the coil is carried. stand_off_m : least distance from
    no-go ground. good_pass : share of the user's own ground, the best walked, that a good pass is like.
    square_kernels : a count square tells of ground within so many kernels. enough_digs : so many in a kernel round the
    squares tell where the junk ends. goes_on : where at least so much of that was dug, the same junk goes on. heard_m :
    a mark left tells of so much ground round it. mark_s, mark_m : a mark so near a stop says what the stop was.
    """

    kernel_m: float = 2.5
    grid_m: float = 1.0
    least_m2: float = 25.0
    more_left: float = 0.1
    junk_gain: float = 0.15
    g: float = 1.0
    junk_per_m2: float | None = None
    recheck: bool = True
    not_recorded: float = 0.5
    crosswise: float = 0.0
    pace_m_s: float = 0.3
    target: str | None = None
    depth_m: float | None = None
    lift_m: float = 0.05
    stand_off_m: float = 5.0
    good_pass: float = 0.25
    square_kernels: float = 2.5
    enough_digs: float = 10.0
    goes_on: float = 0.5
    heard_m: float = 2.5
    mark_s: float = 60.0
    mark_m: float = 5.0


USUAL = TodoSettings()
