"""Steps 5 and 6 of the bench: every move with its reason, verified before it counts; what differs by hand; the ear."""

import html

from gainlib import mix
from gainlib.audio import GainlibError
from gainlib.mix.console import HEADS, LEGEND, cell_text, console_rows, console_table
from gainlib.mix.inserts import what_is_known
from gainlib.mix.live import bus_excerpt
from gainlib.mix.moves import REASONS, gaps, said_once
from gainlib.mix.sheet import raised_floors
from gainlib.notebook import figures, widgets
from gainlib.notebook.errors import row
from gainlib.notebook.figures.diagrams import Moved
from gainlib.notebook.live import LiveFigure
from gainlib.notebook.panels.steps import NumberEntry, Slot, Step, WorkButton, listed, menu, sheet
from gainlib.words import Table, count, level_text, number_text, sentence

POLICIES = (
    ("as the song asks for", "asked"),
    ("restage: bring each box to the level it is built for", "restage"),
    ("keep: leave every drive as it is", "keep"),
)
AVERAGES = (("active level", "active"), ("needle", "needle"))
MATCHES = (("energy", "energy"), ("loudness", "loudness"))
WHY = ("strips", "control", "by (dB)", "where it sits", "why")
ROW_PX, FRAME_PX = 25, 80
NO_REASON = "choose …"
LENGTH_S = 30.0
NOTE = (
    "Switch while it plays. Hearing no difference does not prove that there is none; hearing one does not prove that "
    "it is good."
)


class PlanStep(Step):
    """What is asked of the plan, and the plan.

    Attributes
    ----------
    policy, average, match : Dropdown
    target, peak_max, limit : NumberEntry
    make : WorkButton
    """

    def __init__(self, song):
        self.policy = menu("Drive:", POLICIES, "asked")
        self.target = NumberEntry("True peak of the bus", -6.0, "dBTP", -60.0, 6.0)
        self.average, self.match = menu("Average by:", AVERAGES, "active"), menu("Match by:", MATCHES, "energy")
        self.peak_max = NumberEntry("Highest peak into a box", -3.0, "dBFS", -60.0, 6.0)
        self.limit = NumberEntry("Faders may stay within ±", 3.0, "dB", 0.0, 60.0)
        asks = (song.opened, self.target.number, self._wishes)
        self.make = WorkButton("Plan", _plan, self._made, "Planning …", asks=asks, button_style="primary")
        self.moves, self.words, self._picture = sheet(), sheet(), widgets.VBox()
        super().__init__(
            song, row(self.target, self.policy), row(self.average, self.match, self.peak_max, self.limit),
            Slot(self.make), self._picture, self.words, self.moves,
        )  # fmt: skip

    def _wishes(self):
        return {
            "policy": None if self.policy.value == "asked" else self.policy.value,
            "average": self.average.value, "match": self.match.value,
            "peak_max_dbfs": self.peak_max.number(), "fader_limit_db": self.limit.number(),
        }  # fmt: skip

    def _made(self, found):
        session, plan, target = found
        if session is not self.song.session:
            raise GainlibError("the song was changed meanwhile; press Plan again")
        self.song.planned(plan, target)

    def _changed(self, what):
        if what == "planned":
            self._show(self.song.plan)
        elif what in ("opened", "stems", "chains", "balance", "mixer"):
            self.empty(self.moves, self.words, self._picture)
            told = "Open a song first." if self.song.session is None else "There is no plan of the song as it is now."
            self.note(told)

    def _show(self, plan):
        self._picture.children = [_picture(self.song.session, plan)]
        self.moves.value = _console(plan)
        checks, missed = plan.verification.checks, plan.verification.missed
        rows = [(check.name, str(check).removeprefix(f"{check.name}: ")) for check in checks]
        every = Table("Checks on a full render", ("what", "measured"), rows).html()
        self.words.value = (
            listed("Warnings", (*plan.warnings, *raised_floors(plan.session, self.song.stems or ())))
            + listed("For you to decide: the plan moves nothing for these", plan.advice)
            + listed("What is known of the black boxes", (f"{each}." for each in what_is_known(plan.session)))
            + f"<details><summary>All {len(checks)} checks on a full render</summary>{every}</details>"
        )
        if missed:
            text = f"{len(missed)} of {len(checks)} checks are missed, so you cannot export anything. "
            self.tell("wrong", "Not verified", text + "; ".join(map(str, missed)))
            return
        if not checks:
            self.tell("note", "Nothing to plan", "No stem reaches the bus; see the warnings.")
            return
        bus = next((f" B{str(check)[1:]}." for check in checks if check.name == "bus true peak"), "")
        moves = f"{count(len(plan.moves), 'move')}, policy {plan.policy}"
        text = f"{moves}; a full render keeps all {count(len(checks), 'check')}.{bus}"
        if plan.verification.told:
            word = sentence(plan.verification.verdict).rstrip(".")
            return self.tell("partly", word, f"{text} Measure them in step 3.")
        self.tell("right", "Verified", text)


def _plan(tell, session, target_dbtp, wishes):
    return session, mix.plan(session, target_dbtp, progress=tell, **wishes), target_dbtp


def _console(plan):
    """Return a line a strip of what to set, and under it what moves and why."""
    lines = [map(cell_text, cells) for _, cells in console_table(console_rows(plan))]
    reasons = (
        (", ".join(strips), move.control, "on" if move.control == "DC block" else _by(move), move.place, reason)
        for strips, move, reason in said_once(plan.moves)
    )
    why = Table("Moves", WHY, reasons, (2,)).html()
    return (
        f"{Table('What to set', HEADS, lines, (2, 4, 5, 6)).html()}<p class='gl-sub'>{LEGEND}</p>"
        f"<details><summary>What moves, and why</summary>{why}</details>"
    )


def _by(move):
    return level_text(move.change_db, "").strip()


def _picture(session, plan):
    pairs = [
        *zip(session.strips, plan.session.strips, strict=True),
        *zip(session.groups, plan.session.groups, strict=True),
    ]
    names = [old.name for old, _ in pairs]
    fig = figures.make_figure(840, FRAME_PX + ROW_PX * len(names))
    parts = []
    controls = (("trim", "trim_db"), ("output trim", "post_trim_db"), ("fader", "fader_db"))
    for axes, (control, field) in zip(fig.subplots(1, 3), controls, strict=True):
        before, after = ([getattr(each, field) for each in side] for side in zip(*pairs, strict=True))
        parts.append(Moved(axes, control, names, before, after, named=not parts))
    return LiveFigure(fig, parts, title="What the plan moves", sentence=lambda: _in_short(plan)).widget


def _in_short(plan):
    """Return how far each kind of control moves."""
    parts = []
    for control in ("trim", "output trim", "fader"):
        changes = [move.change_db for move in plan.moves if move.control == control]
        if changes:
            ends = " to ".join(dict.fromkeys(level_text(change) for change in (min(changes), max(changes))))
            parts.append(f"{len(changes)} {control}{'s' * (len(changes) > 1)} by {ends}")
    return f"What moves: {'; '.join(parts)}." if parts else "No trim and no fader has to move."


class HandStep(Step):
    """For who staged by hand first: how far every strip is from the plan, and a menu of reasons for it.

    Attributes
    ----------
    rows : list of Dropdown
        A menu for each strip that is off.
    compare : WorkButton
    """

    def __init__(self, song):
        self.rows, self._list = [], widgets.VBox()
        self.compare = WorkButton("Show the differences", self._list_gaps)
        super().__init__(song, Slot(self.compare), self._list)

    def _list_gaps(self):
        by_strip = {}
        for gap in gaps(self.song.plan_made()):
            by_strip.setdefault(gap.strip, []).append(gap)
        self.rows = [menu(f"{strip}:", (NO_REASON, *REASONS), NO_REASON) for strip in by_strip]
        lines = (html.escape("; ".join(map(_gap, found))) for found in by_strip.values())
        self._list.children = self.boxes(lines, self.rows, self._count, under=False)
        self._count()

    def _count(self):
        told = sum(each.value != NO_REASON for each in self.rows)
        if not self.rows:
            self.tell("right", "Agreed", "No control is more than 1 dB from the plan.")
        elif told < len(self.rows):
            self.tell("note", "Differences", f"{count(len(self.rows), 'strip')} off; {told} have a reason.")
        else:
            own = sum(not each.value.startswith("the plan") for each in self.rows)
            kept = f"{own} of them you keep as you had them" if own else "the plan stays as it is"
            self.tell("right", "Explained", f"All {told} strips have a reason; {kept}.")

    def _changed(self, what):
        if what != "checked":
            self.rows, self._list.children = [], []
            self.note("" if what == "planned" else "There is no plan to compare with yet.")


def _gap(gap):
    return f"{gap.control}: you {level_text(gap.before_db)}, plan {level_text(gap.after_db)}"


class ListenStep(Step):
    """The mix before and after the plan, for the ear, at one loudness.

    Attributes
    ----------
    start : NumberEntry
    player : Player or None
    render : WorkButton
    """

    def __init__(self, song):
        self.start, self.player, self._sound = NumberEntry("From second", 0.0, "s", 0.0), None, widgets.VBox()
        asks = (lambda: song.session, song.plan_made, self.start.number)
        self.render = WorkButton("Make both ready", _both, self._show, "Rendering …", asks=asks, button_style="primary")
        super().__init__(song, Slot(self.start, self.render), self._sound)

    def _show(self, both):
        from gainlib.notebook.listen import Player

        before, after = both
        self.player = Player({"before": before, "after": after}, note=NOTE)
        self._sound.children = [self.player]
        length = number_text(before.duration_s, 0)
        self.tell("right", "Ready", f"{length} s from second {self.start.value}, matched in loudness.")

    def _changed(self, what):
        if what == "checked":
            return
        self._sound.children, self.player = [], None
        if what == "opened" and self.song.session is not None:
            self.start.show(0.0 if self.song.duration_s < 2 * LENGTH_S else round(self.song.duration_s * 0.4))
        if what == "planned" and self.song.peak_s is not None:
            self.start.show(round(max(self.song.peak_s - LENGTH_S / 2, 0.0)))
        self.note("Make both ready." if what == "planned" else "There is no plan to listen to yet.")


def _both(tell, before, plan, start_s):
    def half(k):
        return lambda label, done, total: tell(label, k * total + done, 2 * total)

    return tuple(bus_excerpt(each, start_s, LENGTH_S, half(k)) for k, each in enumerate((before, plan.session)))
