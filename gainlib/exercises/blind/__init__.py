"""What the blind tests of the labs play and print: clips, hidden levels and orders, readings in their place.

- ``clips``: five short sounds of one loudness.
- ``matching``: five pairs with a hidden difference in level, to be turned until both are equally loud.
- ``orders``: which of two is X, trial by trial, and what subtracting X from A leaves.
- ``pairs``: meter readings of pairs, fit or unfit for a fair comparison.
"""
