"""Inserts where they stand: which of them run and depend on level; black boxes, and what rests on their owner's word.

A measured box has a gain for every average level, so where it stands its gain follows from what reaches it. One that
was not measured is taken for a wire, and whatever depends on that is told, not known.
"""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace

from gainlib.processors import BlackBox
from gainlib.session import Group, Insert, Session, Strip
from gainlib.session.routing import channels, topological_order, upstream
from gainlib.session.strip import BUS
from gainlib.words import quantity

KNOWN, MEASURED, TOLD = "known", "measured", "told"


def db(value: float) -> str:
    """Return a gain as sentences have it."""
    return quantity(value, "dB", 1, signed=True)


def dbfs(value: float) -> str:
    """Return a level as sentences have it."""
    return quantity(value, "dBFS", 1, signed=True)


def active(inserts: Iterable[Insert]) -> tuple[Insert, ...]:
    """Return the inserts that are not bypassed."""
    return tuple(insert for insert in inserts if not insert.bypass)


def level_dependent(inserts: Iterable[Insert]) -> tuple[Insert, ...]:
    """Return the inserts whose input level matters."""
    return tuple(insert for insert in active(inserts) if not insert.processor.linear)


def boxes_in(inserts: Iterable[Insert]) -> tuple[BlackBox, ...]:
    """Return the black boxes among inserts that are not bypassed."""
    return tuple(each.processor for each in active(inserts) if isinstance(each.processor, BlackBox))


def basis_of(inserts: Iterable[Insert]) -> str:
    """Return what is known of a way through some inserts: "known", "measured", or "told" by their owner alone.

    Examples
    --------
    >>> basis_of([]), basis_of([Insert(BlackBox(gains=((-18.0, 2.0),)))]), basis_of([Insert(BlackBox())])
    ('known', 'measured', 'told')
    """
    boxes = boxes_in(inserts)
    return KNOWN if not boxes else MEASURED if all(box.measured for box in boxes) else TOLD


def on_the_way(session: Session, name: str) -> tuple[Insert, ...]:
    """Return all inserts of a strip, a group or the bus, and of all that feed it."""
    feeding = upstream(session, {name}) | {name}
    inserts = [each for channel in channels(session).values() if channel.name in feeding for each in channel.inserts]
    return (*inserts, *session.master.inserts) if name == BUS else tuple(inserts)


def with_ways(channel: Strip | Group, kept: Callable[[str], bool]) -> Strip | Group:
    """Return a strip or group without the outputs and sends that go to a sum that is not kept."""
    sends = tuple(send for send in channel.sends if kept(send.to))
    return channel.with_(to=tuple(to for to in channel.to if kept(to)), sends=sends)


def settled(session: Session) -> Session:
    """Return a session whose measured boxes have the gain for the active level that reaches each of them."""
    order = (*(strip.name for strip in session.strips), *topological_order(session), BUS)
    for name in order:
        owner = session.master if name == BUS else channels(session)[name]
        for number, insert in enumerate(owner.inserts, 1):
            box = insert.processor
            if insert.bypass or not isinstance(box, BlackBox) or len(box.gains) < 2:
                continue
            node = f"{name}/insert {number}/in"
            average = session.render().levels([node], ("active",))[node].active_dbfs
            owner = owner.with_(inserts=replaced(owner.inserts, number, processor=box.fed(average)))
            session = session.with_(name, inserts=owner.inserts)
    return session


def replaced(inserts: tuple[Insert, ...], number: int, **fields) -> tuple[Insert, ...]:
    """Return inserts with fields of one of them, counted from 1, changed."""
    return (*inserts[: number - 1], replace(inserts[number - 1], **fields), *inserts[number:])


def what_is_known(session: Session) -> Iterator[str]:
    """Yield a sentence for every black box of a session, as it stands there."""
    for owner in (*channels(session).values(), session.master):
        name = getattr(owner, "name", "master")
        for number, insert in enumerate(owner.inserts, 1):
            if boxes_in([insert]):
                yield f"{name}, processor {number}, {insert.processor.called}: {_known(insert)}"


def _known(insert):
    box = insert.processor
    if not box.measured:
        built = f"you say that it is built for {dbfs(box.reference_dbfs)}; " if box.reference_dbfs is not None else ""
        return f"{built}nothing was measured, so its gain is taken as 0 dB"
    parts = []
    if box.linear:
        parts.append(f"its level is free; {db(box.gain_db)} of gain")
    elif box.reference_dbfs is None:
        parts.append("its level matters, but no level is known to be best")
    else:
        parts.append(f"built for {dbfs(box.reference_dbfs)}; its output wants {db(box.output_gain_db)} there")
    if not box.linear and box.fed_dbfs is not None:
        parts.append(f"{dbfs(box.fed_dbfs)} reach it, where it has {db(box.gain_db)} of gain")
    if box.ceiling_dbfs is not None:
        parts.append(f"it holds back peaks above {dbfs(box.ceiling_dbfs)}")
    if box.noise_dbfs is not None:
        behind = box.noise_dbfs + insert.out_db
        parts.append(f"noise at {dbfs(box.noise_dbfs)}, {dbfs(behind)} behind its output gain")
    return f"measured: {'; '.join(parts)}"
