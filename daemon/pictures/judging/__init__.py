"""Judging: what a frame's pixels say, held against what it was shot to show."""
