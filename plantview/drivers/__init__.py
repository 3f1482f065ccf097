"""One exchange with one device: every failure has a name, nothing is repeated, nothing is written.

The readers have no write method. Pace, back-off and what a failure means for a
point are decided in ``polling``.
"""
