"""What the exercises and the experiment on meters draw, make and measure; the declarations stand in the bank.

- ``takes``: a short take with an offset, and the readings its crest factor follows from.
- ``gates``: a loud and a soft part through the gates of the loudness meter.
- ``bench``: a signal in bursts, and what every meter makes of it.
"""
