"""Lab 00: wrong methods."""

from gainlib.levels.exposure import minutes_a_day

WRONG = {
    "00-1": {
        "whole steps of 3 dB only": lambda g: minutes_a_day(85 + 3 * ((g["L"] - 85) // 3)),
        "minus a share a decibel": lambda g: 480 * (1 - (g["L"] - 85) / 20),
    },
}
