"""What the command and the processes beside it send each other: values of any kind, their large arrays uncopied."""

import pickle
from collections.abc import Sequence
from typing import IO, Any

LARGE_BYTES = 1 << 16  # a smaller array is copied into the message

Parcel = tuple[bytes, Sequence[Any]]  # a value but for its large arrays, and these


def parcel_of(value: Any) -> Parcel:
    """Make a parcel of a value, whose large arrays must not change until it was sent; raises what pickle does."""
    large: list[pickle.PickleBuffer] = []

    def lies_within(array: pickle.PickleBuffer) -> bool:
        if array.raw().nbytes < LARGE_BYTES:
            return True
        large.append(array)
        return False

    return pickle.dumps(value, pickle.HIGHEST_PROTOCOL, buffer_callback=lies_within), large


def contents_of(parcel: Parcel) -> Any:
    """Return the value in a parcel that was received; it then owns its arrays."""
    head, large = parcel
    return pickle.loads(head, buffers=large)


def send(stream: IO[bytes], *message: Any) -> None:
    """Send a message, which may hold parcels; OSError when nobody is there to read it."""
    head, large = parcel_of(message)
    arrays = [array.raw() for array in large]
    pickle.dump((head, [array.nbytes for array in arrays]), stream, pickle.HIGHEST_PROTOCOL)
    for array in arrays:
        stream.write(array)
    stream.flush()


def receive(stream: IO[bytes]) -> list[Any]:
    """Wait for a message and return its parts; EOFError when none comes any more, or one was cut off."""
    head, sizes = pickle.load(stream)
    return list(contents_of((head, [_read(stream, size) for size in sizes])))


def _read(stream: IO[bytes], size: int) -> memoryview:
    import numpy as np  # here, since a command starts its processes before it loads what takes long

    array = np.empty(size, np.uint8).data  # which is not filled with zeros first
    done = 0
    while done < size:
        count = stream.readinto(array[done:])  # type: ignore[attr-defined]  # which every file of bytes has
        if not count:
            raise EOFError
        done += count
    return array
