"""Blocks that do not fit a run: its number of channels, and the block's shape."""

MISFITS = [
    (2, (64, 1)),
    (3, (64, 2)),
    (2, (64,)),
    (1, (64, 3)),
    (2, (64, 9)),
    (2, (2, 64)),
    (1, (64, 0)),
    (2, (8, 2, 2)),
]
