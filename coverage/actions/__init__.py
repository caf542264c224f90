"""One module for each thing a user can do, called by the commands and by the local page alike.

Uses ``site``, ``register``, ``survey``, ``report`` and ``pages``. Reads and writes files; prints nothing.
"""
