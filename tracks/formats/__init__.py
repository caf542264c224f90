"""One reader for each file format, and ``read``, which picks the right one.

Uses ``files`` and ``compiled``. A reader removes nothing: what cannot be read becomes NaN or a note.
"""
