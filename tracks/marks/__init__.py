"""What the marks of a recording mean, and what they switch on and off.

Uses the words of ``tracks`` itself.
"""
