"""What a report.json says to measure next, read back for the card to carry."""

import json

from fieldcomb.tracks.text import harmless

MOST_ADVICE_LETTERS = 300  # somebody else may have written the file


def advice_of(report: bytes) -> str:
    """Return the sentence on what to measure next; empty where there is none, or the file is not one of ours."""
    try:
        sentence = json.loads(report)["total"]["next_evidence"]["sentence"]
    except (ValueError, RecursionError, LookupError, TypeError):
        return ""
    return harmless(sentence)[:MOST_ADVICE_LETTERS] if isinstance(sentence, str) else ""
