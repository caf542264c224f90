"""What to do about a fault, as a kind with values: worded for the command line and for the local page.

A hint that reads the same in both places is a plain text; one that names an option, a command or a field stands here.
"""

from __future__ import annotations

from enum import Enum

from fieldcomb.tracks.values import dataclass


class HintKind(Enum):
    """Every such hint: its words on the command line, then on the local page."""

    ADD_A_WALK = ("Add a walk with: fieldcomb add {site} walk.gpx", "Drop a recording on the site's page")
    TAKE_BACK = ("Use fieldcomb edit SITE {outing} --take-back", "Include it again on the page of outing {outing}")
    TAKE_ONE_BACK = ("Include one again with fieldcomb edit SITE OUTING --take-back", "Include one again on its page")
    CORRECT = (
        "To correct what you typed for it, use fieldcomb edit SITE {outing}",
        "To correct what you typed for it, open the page of outing {outing}",
    )
    CORRECT_OR_CUT = (
        "To correct what you typed for it, use fieldcomb edit SITE {outing}. For two coils in one file, give each "
        "its own times with --from and --to",
        "To correct what you typed for it, open the page of outing {outing}. For two coils in one file, add it "
        "once for each coil, with that coil's times in From and To",
    )
    COIL_ASSUMED = (
        "No coil was named, so {coil} was assumed. Measure yours from rim to rim, and set it with --coil",
        "No coil was named, so {coil} was assumed. Measure yours from rim to rim, and type it for the outing",
    )
    SWING_GUESSED = (
        "Swing width {width} for coil {coil} is a guess, not measured: lay a tape on the ground, swing over it as "
        "usual, measure from the coil's outer rim at the left end to its outer rim at the right, and set it with "
        "--swath",
        "Swing width {width} for coil {coil} is a guess, not measured: lay a tape on the ground, swing over it as "
        "usual, measure from the coil's outer rim at the left end to its outer rim at the right, and type it for the "
        "outing",
    )
    GIVE_ONCE_OR_CUT = (
        "Name it once. For two coils in one file, give each its own times with --from and --to",
        "Choose it once. For two coils in one file, add it once for each coil, with that coil's times in From and To",
    )
    HOLDS_MORE = (
        (
            "It holds more of the walk than the earlier file: to use it, first leave outing {outing} out with "
            "fieldcomb edit"
        ),
        "It holds more of the walk than the earlier file: to use it, first leave outing {outing} out on its page",
    )
    FILE_IS_MISSING = (
        "Put it back (it was added as {name}), or leave outing {outing} out with fieldcomb edit",
        "Put it back (it was added as {name}), or leave outing {outing} out on its page",
    )
    LEFT_OUT = (
        "Outing {outing} is left out of every number: {fault}. {hint}.{rest}",
        "Outing {outing} is left out of every number: {fault}. {on_page}.{rest}",
    )
    ONE_PERSON = (
        "note: {file} went the same way at the same time as {other}: if one person carried both, leave one of the "
        "outings out with fieldcomb edit, or the walk counts twice",
        "{file} went the same way at the same time as {other}: if one person carried both, leave one of the "
        "outings out on its page, or the walk counts twice",
    )
    SEVERAL_DAYS = (
        "note: files from {count} days ({days}) become one outing; use --each to make each file its own outing",
        (
            "files from {count} days ({days}) become one outing; to separate them, choose that several files are "
            "separate outings"
        ),
    )
    SEVERAL_WALKS = (
        "note: {file} holds walks of {count} days ({days}), which become one outing; to separate them, give it once "
        "for each day, with --from and --to",
        "{file} holds walks of {count} days ({days}), which become one outing; to separate them, add it once for each "
        "day, with its times in From and To",
    )
    SEVERAL_RECORDINGS = (
        "Unpack it and use one of them, or add each one to a site: fieldcomb add SITE ARCHIVE --each",
        "Unpack it and use one of them, or choose that several files are separate outings",
    )
    NO_PLACE_YET = (
        "Start the site with --boundary, or first add a single recording of it",
        "Make the site with an edge, or first add a single recording of it",
    )
    NO_BOUNDARY = ("Use --boundary FILE", "Make the site with an edge, and add the walks to it")
    POLYGON_IS_BOUNDARY = (
        "A polygon is a boundary: use it with --boundary, and name the recording of the walk as TRACK",
        "A polygon is a boundary: use it when you make a site, then add the recording of the walk",
    )
    CROSSES_ITSELF = (
        "Move its corners so that it runs round the ground once; for a recorded walk round the edge, use --edge",
        (
            "Move its corners so that it runs round the ground once; for a recorded walk round the edge, choose "
            "that instead"
        ),
    )
    NO_TIMES = (
        "Leave out --from and --to, or export the walk with its times",
        "Leave From and To empty, or export the walk with its times",
    )
    SEARCHED_PART = (
        "If you searched during only part of it, set --from and --to to that part",
        "If you searched during only part of it, enter the times of that part in From and To",
    )
    NO_SEARCH = (
        "If you searched during only part of it, set --from and --to to that part. If you really searched that "
        "fast, set --top-pace",
        "If you searched during only part of it, enter the times of that part in From and To. If you really "
        "searched that fast, enter a top pace",
    )
    TOO_WIDE = (
        "If you searched during only part of it, set --from and --to to that part, or draw the site and use it "
        "with --boundary",
        (
            "If you searched during only part of it, enter the times of that part in From and To, or make the site "
            "with an edge"
        ),
    )
    PART_BY_PART = (
        "Give the part that you searched, or one day after another, with --from and --to; without times, split the "
        "file",
        "Give the times of the part that you searched in From and To, or add it once for each day; without times, "
        "split the file",
    )
    LARGER_CELLS = (
        "Use larger cells, {fit} or more, with --cell or cell in site.toml; or split the ground into several sites",
        "Use larger cells, {fit} or more; or split the ground into several sites",
    )
    LESS_GROUND = (
        "Split the ground into several sites, or use --boundary with an outline of the part that was searched",
        "Split the ground into several sites, or make the site with an edge round the part that was searched",
    )
    CHECK_TIMES = ("Check the --from and --to times", "Check the times in From and To")
    SITE_IS_THERE = (
        "Choose a new name; to add walks to an existing site, use fieldcomb add",
        "Choose a new name; to add walks to an existing site, open its page",
    )
    OUT_IS_A_LINK = ("Put a folder there, or choose another one with -o", "Put the folder itself there")
    OUT_IS_A_FILE = ("Choose another folder with -o", "Move the file out of the site")
    OUT_CANNOT_BE_WRITTEN = (
        "{first}, or choose another folder with -o",
        "{first}, and draw the map again",
    )
    NO_SUCH_SITE = ("{start}: fieldcomb new {site}", "It may have been renamed: look at the list of sites")
    NOT_A_FOLDER = ("Name the folder that fieldcomb new made", "Look at the list of sites")
    NOT_A_SITE = ("Start one with: fieldcomb new, or put site.toml back", "Make a new site, or put site.toml back")

    def __call__(self, **values: object) -> Hint:
        """Return the hint of this kind with these values in it."""
        return Hint(self, tuple((key, str(value)) for key, value in values.items()))


@dataclass(frozen=True, slots=True)
class Hint:
    """One hint; as a text it reads as on the command line."""

    kind: HintKind
    values: tuple[tuple[str, str], ...] = ()

    def __str__(self) -> str:
        return self.kind.value[0].format(**dict(self.values))

    @property
    def on_page(self) -> str:
        """The words for someone at the page, who has fields and no command line.

        >>> HintKind.TAKE_BACK(outing="2026-03-07a").on_page
        'Include it again on the page of outing 2026-03-07a'
        """
        return self.kind.value[1].format(**dict(self.values))
