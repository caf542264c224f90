"""What the user can set about the ranking of what is still to do; docs/todo.md describes each setting.

What no user can judge is a constant in the module that uses it, with its reason.
"""

from fieldcomb.tracks.values import dataclass


@dataclass(frozen=True, slots=True)
class TodoSettings:
    """The settings of ``[todo]`` in site.toml. None of the defaults has a published source.

    junk_per_m2 : taken where nothing was measured. recheck : who digs sweeps the hole again. crosswise : share of
    targets that only a second direction gives. target : the class of target that matters. depth_m, lift_m : how deep
    it lies, and how high the coil is carried on the next pass. stand_off_m : least distance from no-go ground.
    by_finds : what a coil brings counts by how often its signals were worth digging.
    """

    junk_per_m2: float | None = None
    recheck: bool = True
    crosswise: float = 0.0
    target: str | None = None
    depth_m: float | None = None
    lift_m: float = 0.05
    stand_off_m: float = 5.0
    by_finds: bool = False


USUAL = TodoSettings()
