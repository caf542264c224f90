"""What must hold for recordings of every format, for the tests of each reader."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pytest

from fieldcomb.tracks.errors import TrackError
from fieldcomb.tracks.formats.read import read_recording
from fieldcomb.tracks.recording import Recording


@dataclass(frozen=True)
class Case:
    """A file, and what is expected of it: fixes (None: it is refused), laps by hand, runs, words that must be said."""

    data: bytes
    fixes: int | None
    by_hand: tuple[bool | None, ...] = (False,)
    says: tuple[str, ...] = ()
    runs: int = 1
    without_place: int = 0
    without_time: int = 0


def check_case(case: Case, file: str) -> None:
    """The file gives what the case expects, or is refused with what to do; nothing is said of a sound one."""
    if case.fixes is None:
        with pytest.raises(TrackError) as caught:
            read_recording(case.data, file)
        assert caught.value.hint
        said = str(caught.value)
    else:
        recording = read_recording(case.data, file)
        track, said = recording.track, "\n".join(recording.notes)
        assert len(track) == case.fixes
        assert tuple(one.by_hand for one in recording.laps) == case.by_hand
        assert sorted(set(track.segment.tolist())) == list(range(case.runs))
        assert np.isnan(track.lon_deg + track.lat_deg).sum() == case.without_place
        assert np.isnan(track.time_s).sum() == case.without_time
        assert bool(said) == bool(case.says)
    assert all(words in said for words in case.says)


def check_told(data: bytes, file: str, fixes: int, waypoints: int, says: str) -> Recording:
    """The file gives so many fixes and waypoints, and says what was odd."""
    recording = read_recording(data, file)
    assert (len(recording.track), len(recording.waypoints)) == (fixes, waypoints)
    assert says in "; ".join(recording.notes)
    return recording


def fixes_of_cuts(data: bytes, file: str, *, first: int = 0, unsure: int = 0) -> list[Recording]:
    """Read a file cut off at every byte from ``first`` on; what is read are the first fixes of the whole, and never
    fewer of them than a shorter piece gave. The last ``unsure`` fixes may lack digits.
    """
    whole, read = read_recording(data, file).track, list[Recording]()
    for cut in range(first, len(data)):
        try:
            recording = read_recording(data[:cut], file)
        except TrackError as error:
            assert error.problem
            assert not read, "a longer piece of the file gave less than a shorter one"
            continue
        track, sure = recording.track, len(recording.track) - unsure
        for got, is_there in ((track.lat_deg, whole.lat_deg), (track.lon_deg, whole.lon_deg)):
            np.testing.assert_array_equal(got[:sure], is_there[:sure])
        np.testing.assert_array_equal(track.time_s[:sure], whole.time_s[:sure])
        assert not read or len(track) >= len(read[-1].track)
        read.append(recording)
    return read


def damaged(data: bytes, other: bytes, rng: random.Random) -> bytes:
    """Damage a file in one to four places: flipped bits, bytes lost, put in, repeated or spliced, digits changed."""
    raw = bytearray(data)
    for _ in range(rng.randint(1, 4)):
        at = rng.randrange(len(raw) + 1)
        length = rng.choice((1, 1, 2, 8, 64))
        kind = rng.randrange(7)
        if kind == 0 and at < len(raw):
            raw[at] ^= 1 << rng.randrange(8)
        elif kind == 1:
            del raw[at : at + length]
        elif kind == 2:
            raw[at:at] = rng.randbytes(length)
        elif kind == 3:
            raw[at:at] = raw[at : at + length] * rng.choice((1, 2, 50))
        elif kind == 4:
            begin = rng.randrange(len(other))
            raw[at : at + length] = other[begin : begin + 8 * length]
        elif kind == 5 and (digits := [i for i, byte in enumerate(raw) if 48 <= byte <= 57]):
            raw[rng.choice(digits)] = rng.choice(b"0123456789.,-eE+ ")
        elif kind == 6:
            raw[at:at] = rng.choice(
                (b"\0", b'"', b"[", b"{", b"<", b"&", b"9" * 5000, b"\n", b"\xff\xfe", b"]", b"}", b"-", b"1e999")
            )
    return bytes(raw)


def check_damage(samples: Sequence[bytes], other: bytes, file: str, *, seed: int, tries: int) -> None:
    """Whatever bytes are changed, lost or put in, the answer is a recording or a message."""
    rng, read = random.Random(seed), 0
    for _ in range(tries):
        try:
            recording = read_recording(damaged(rng.choice(samples), other, rng), file)
        except TrackError as error:
            assert error.problem
            continue
        read += 1
        assert len(recording.track) >= 1
    assert read > 0  # else the damage would hide what happens behind the first bytes
