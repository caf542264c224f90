"""Quantities as a page sets them: a number never parts from its unit, and m2 is a raised 2."""

import re

NARROW = "\u202f"  # narrow no-break space: groups thousands in every language, and keeps a number and its unit together
_GAP = re.compile(r"(?<=\d) (?=\d{3}(?!\d)|(?:m2|m|cm|km|ha|s|min|h)\b|%)")


def typeset(text: str) -> str:
    """Set what ``tracks.units`` formatted for a page, alone or in a sentence.

    >>> typeset("1 234 m2, 12.3 m long: 71.0 %, 1 h 05 min").replace(NARROW, "_")
    '1_234_m², 12.3_m long: 71.0_%, 1_h 05_min'
    >>> typeset("-"), typeset("<0.1 m2").replace(NARROW, "_"), typeset("-3")
    ('–', '<0.1_m²', '−3')
    """
    if text == "-":
        return "–"
    return re.sub(r"(?<=\d\u202f)m2\b", "m²", _GAP.sub(NARROW, re.sub(r"^-(?=\d)", "−", text)))
