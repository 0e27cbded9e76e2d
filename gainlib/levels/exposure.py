"""How long ears may take a level: daily and weekly noise exposure.

Sources
-------
- A day: NIOSH publication 98-126 (1998), chapter 1: 8 hours a day at 85 dBA, every 3 dB more halves the time.
- A week: ITU-T H.870 (with the WHO, 2018 and 2022), equal energy: 40 hours a week at 80 dBA, for children at 75 dBA.
  From memory.

Both are guidance for groups of people, not a promise that one's own ears come to no harm.
"""

import math

from gainlib.errors import GainlibError

DAY_DBA, DAY_HOURS = 85.0, 8.0
WEEK_DBA, WEEK_HOURS = 80.0, 40.0
CHILD_WEEK_DBA = 75.0
EXCHANGE_DB = 3.0


def minutes_a_day(
    level_dba: float, limit_dba: float = DAY_DBA, hours: float = DAY_HOURS, exchange_db: float = EXCHANGE_DB
) -> float:
    """Return for how many minutes a day a level may be listened to.

    Parameters
    ----------
    level_dba : float
        A-weighted level at the ear.
    limit_dba, hours : float
        The level that may be listened to for that long.
    exchange_db : float
        How many dB more halve the time.

    Returns
    -------
    float
        Minutes; more than a day's 1440 means that the limit does not bind.

    Examples
    --------
    >>> minutes_a_day(85), minutes_a_day(94), minutes_a_day(100)
    (480.0, 60.0, 15.0)
    """
    for name, value in (("level_dba", level_dba), ("limit_dba", limit_dba)):
        if not math.isfinite(value):
            raise GainlibError(f"{name} is {value}; give a level in dBA")
    if not (0 < hours < math.inf and 0 < exchange_db < math.inf):
        raise GainlibError(f"{hours} hours, halved every {exchange_db} dB; give two numbers above 0")
    return 60.0 * hours * 2.0 ** (-(level_dba - limit_dba) / exchange_db)


def percent_of_day(level_dba: float, hours: float) -> float:
    """Return which share of a day's exposure so many hours at a level are.

    Examples
    --------
    >>> percent_of_day(85, 8), percent_of_day(91, 1)
    (100.0, 50.0)
    """
    return 100.0 * 60.0 * _hours(hours) / minutes_a_day(level_dba)


def percent_of_week(
    stretches, limit_dba: float = WEEK_DBA, hours: float = WEEK_HOURS, exchange_db: float = EXCHANGE_DB
) -> float:
    """Return which share of a week's exposure several stretches are together: doses add, decibels do not.

    Parameters
    ----------
    stretches : iterable of (float, float)
        Hours, and the A-weighted level at the ear in dBA.
    limit_dba, hours : float
        The level that may be listened to for that long in a week.
    exchange_db : float
        How many dB more double the dose. 3 dB are a factor of 1.995 in energy; tables, and this, take it as 2.

    Returns
    -------
    float
        Percent.

    Examples
    --------
    >>> percent_of_week([(40, 80)]), percent_of_week([(4, 89), (10, 80)])
    (100.0, 105.0)
    """
    doses = [_hours(length) * 2.0 ** ((level - limit_dba) / exchange_db) for length, level in stretches]
    return 100.0 * sum(doses) / hours


def _hours(hours):
    if not 0 <= hours < math.inf:
        raise GainlibError(f"{hours} hours; give 0 or more")
    return hours
