"""Decibel arithmetic: ratios, sums, analogue and digital levels, microphones, noise.

Conventions
-----------
- 0 dBu is √0.6 V = 0.7746 V (1 mW in 600 Ω), 0 dBV is 1 V; all voltages are RMS.
- dBFS is sine-referred: a sine of full scale reads 0 dBFS (AES17), so K, the analogue level of 0 dBFS, is the level of
  a full-scale sine.
- Sound pressure levels are re 20 µPa. 1 Pa counts as 94 dB SPL (exactly 93.98), as makers' data do.
- Every function takes a number or an array and gives the same shape back; −inf is silence, NaN an error.

Contents
--------
- ratios: :func:`db_to_ratio`, :func:`ratio_to_db`, :func:`sum_levels_db`
- analogue: :func:`dbu_to_volts`, :func:`volts_to_dbu`, :func:`dbv_to_dbu`, :func:`dbu_to_dbv`
- alignment: :func:`dbfs_to_dbu`, :func:`dbu_to_dbfs`
- microphones: :func:`microphone_dbu`, :func:`sensitivity_db`, :func:`spl_to_pascal`
- noise: :func:`thermal_noise_volts`, :func:`thermal_noise_dbu`, :func:`noise_figure_db`

Sources
-------
Handbook formulas. 0 dBu: IEC 60027-3, from memory. Boltzmann constant: SI, exact since 2019. Sums of levels:
textbook power and voltage addition.
"""

from gainlib.levels.decibels import (
    BOLTZMANN,
    DBU_VOLTS,
    REFERENCE_PASCAL,
    db_to_ratio,
    dbfs_to_dbu,
    dbu_to_dbfs,
    dbu_to_dbv,
    dbu_to_volts,
    dbv_to_dbu,
    microphone_dbu,
    noise_figure_db,
    ratio_to_db,
    sensitivity_db,
    spl_to_pascal,
    sum_levels_db,
    thermal_noise_dbu,
    thermal_noise_volts,
    volts_to_dbu,
)

__all__ = [
    "BOLTZMANN", "DBU_VOLTS", "REFERENCE_PASCAL", "db_to_ratio", "dbfs_to_dbu", "dbu_to_dbfs", "dbu_to_dbv",
    "dbu_to_volts", "dbv_to_dbu", "microphone_dbu", "noise_figure_db", "ratio_to_db", "sensitivity_db",
    "spl_to_pascal", "sum_levels_db", "thermal_noise_dbu", "thermal_noise_volts", "volts_to_dbu",
]  # fmt: skip
