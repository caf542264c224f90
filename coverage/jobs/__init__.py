"""Work that the local page orders: what an order says, the line that it waits in, and the process that does it.

Uses ``actions``. Knows nothing of addresses and forms.
"""
