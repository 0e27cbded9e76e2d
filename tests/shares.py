"""How much of a lab's points is earned by hand, by typing sums, and by choosing. Run it to see the table."""

from gainlib.exercises import bank

WAYS = ("hands-on", "typed", "choice")


def shares(lab):
    """Return the points of a lab, and the share of them that each way of answering earns."""
    parts = [part for each in bank() if each.lab == lab for part in each.parts]
    total = sum(part.points for part in parts)
    return total, {way: sum(part.points for part in parts if part.way == way) / total for way in WAYS}


if __name__ == "__main__":
    for number in sorted({each.lab for each in bank()}):
        points, found = shares(number)
        print(number, f"{points:5g}", *(f"{way} {100 * found[way]:3.0f} %" for way in WAYS), sep="  ")
