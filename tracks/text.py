"""Names from files made harmless."""

import re

_ORDERS = "\x00-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ufeff"


_HARMFUL = re.compile(f"[{_ORDERS}]+")


HALF_CHARACTERS = re.compile("[\ud800-\udfff\ufffe\uffff]")


def harmless(text: str) -> str:
    """Make a text of one line that cannot do anything: orders to a terminal become one space, half characters a mark.

    >>> harmless("west" + chr(27) + "[2Jfield" + chr(10))
    'west [2Jfield'
    """
    return HALF_CHARACTERS.sub("\ufffd", _HARMFUL.sub(" ", text)).strip()
