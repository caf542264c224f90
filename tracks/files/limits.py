"""Limits on what a file can make the program do, each with its reason.

A file of less than 20 MB is to take less than 10 s and 1 GB, whatever is in it, and each limit is far beyond what
recorders write. The message at a limit says the limit, what was found, and how to go on.
"""

from fieldcomb.tracks.errors import TrackError

# Of one file, to be read: a fix each second of more than three days and nights without a pause.
MAX_POINTS = 300_000
# Of one file in the time that is used of it, to be walked: ten fixes a second for seven hours. Cleaning, laying out and
# drawing take tens of microseconds for each fix and each point of the line; where steps are long there are three
# points to a metre, so this is also some 80 km of searching.
MAX_WALKED_FIXES = 250_000
MAX_LINE_POINTS = 250_000
MAX_DROPOUTS = 2_000  # of a walk: one each quarter of a minute of a day's search. Each piece between two takes 1 ms
# Of the ground of a new site, or of new walks without a boundary: half a kilometre square at 10 cm with a rim
# of 20 m, one at 20 cm. A cell takes some 18 bytes at the worst moment, when strips are found: 850 MB for 36 million.
MAX_NEW_CELLS = 30_000_000
# Of any ground: a site that grew over the years is still reported, in some 2 GB.
MAX_CELLS = 100_000_000
# Marks are read, placed and drawn one by one. A busy day has some hundreds.
MAX_MARKS = 20_000
# Lines, tracks and plans in one file: each is arrays of its own.
MAX_LINES = 20_000

# A megabyte of recording packs to 25 to 100 kB. Deflate can reach a thousand to one, but only on purpose.
MAX_RATIO = 100
SMALL_BYTES = 32 * 1024 * 1024  # a small packed file may unpack to as much as this at any ratio
MAX_UNPACKED_BYTES = 256 * 1024 * 1024
MAX_MEMBERS = 20_000  # of an archive; the list of them is built in memory before anything is unpacked
MAX_TOTAL_BYTES = 4 * 1024 * 1024 * 1024  # of all members together, one after another: an account of many years

# XML: deeper, wider or longer tags than any recorder writes make a parser slow or greedy.
MAX_DEPTH = 64
MAX_ATTRIBUTES = 256
MAX_TAG_BYTES = 100_000
MAX_ELEMENTS = 3_000_000  # a fix with heart rate and temperature has about eight; a million elements take 1 s

# JSON unpacks in memory to some ten times its size.
MAX_JSON_BYTES = 64 * 1024 * 1024
MAX_COLLECTION_DEPTH = 16  # collections inside collections

MAX_AREA_BYTES = 64 * 1024 * 1024  # a boundary of a hundred thousand corners has 4 MB
# Of all outlines in a file of areas together. Laying polygons over one another takes ever longer for each corner and
# hole; a boundary traced to a decimetre round ten hectares has 13,000.
MAX_CORNERS = 50_000
MAX_RINGS = 5_000
MAX_TYPED_BYTES = 1_000_000  # of a table that people type: a roster of 25 has 2 kB, a thousand pegs 40 kB
MAX_ROSTER_ROWS = 1_000  # recordings and people of one outing; they are written one by one
MAX_TABLE_BYTES = 128 * 1024 * 1024
MAX_TABLE_LINES = 10 * MAX_POINTS  # empty ones included
MAX_HEADER_LETTERS = 80  # of the name of a column

# FIT is dense: a day of fixes each second has 2 MB. Its checksum takes 1 s for each 12 MB.
MAX_FIT_BYTES = 64 * 1024 * 1024
MAX_MESSAGES = 8 * MAX_POINTS
MAX_PARTS = 1000  # files one after another in one
MAX_DEFINITIONS = 10_000  # different ones; recorders have some dozens


def too_many(file: str, limit: int, things: str, hint: str = "Split it into several files") -> TrackError:
    """Return the error for a file that holds more of something than the limit."""
    return TrackError(f"holds more than {limit:,} {things}, which is refused", file=file, hint=hint)


def too_large(file: str, found: int, limit: int, what: str) -> TrackError:
    """Return the error for a file with more bytes than the limit."""
    problem = f"is {found / 1e6:.0f} MB of {what}; the limit is {limit / 1e6:.0f} MB"
    return TrackError(problem, file=file, hint="Split it into several files, or export the walk as GPX")


def check_marks(file: str, count: int) -> None:
    """Refuse a file with too many marked places."""
    if count > MAX_MARKS:
        hint = "Delete the places that do not belong to this walk, or export the recording without them"
        raise too_many(file, MAX_MARKS, "marked places", hint)
