"""Step 5 of the bench: every move with its place and its reason, verified before it counts."""

import ipywidgets as widgets

from gainlib.audio import GainlibError
from gainlib.mix.console import HEADS, LEGEND, cell_text, console_rows, console_table
from gainlib.mix.moves import said_once
from gainlib.notebook import figures
from gainlib.notebook.figures.diagrams import Moved
from gainlib.notebook.live import LiveFigure
from gainlib.notebook.panels.bench_base import NumberEntry, Slot, Step, button, listed, menu, row, sheet, table
from gainlib.notebook.prose import prose
from gainlib.words import count, level_text

POLICIES = (
    ("as the song asks for", "asked"),
    ("restage: bring each box to the level it is built for", "restage"),
    ("keep: leave every drive as it is", "keep"),
)
AVERAGES = (("active level", "active"), ("needle", "needle"))
MATCHES = (("energy", "energy"), ("loudness", "loudness"))
WHY = ("strips", "control", "by (dB)", "where it sits", "why")
TEXT = """
**Restage** drives each level-dependent box at the level it is built for and undoes that gain behind it; this is meant
to change the timbre. **Keep** moves only what comes after the processors, which is right for a mix that already sounds
as it should. Either way the balance stays, and the whole mix is rendered and measured before the plan counts.
"""
ROW_PX, FRAME_PX = 25, 80


class PlanStep(Step):
    """What is asked of the plan, and the plan.

    Parameters
    ----------
    song : gainlib.notebook.bench_song.Song

    Attributes
    ----------
    policy, average, match : Dropdown
    target, peak_max, limit : NumberEntry
    make : callable
        What the button does, at once.
    """

    def __init__(self, song):
        self.policy = menu("Drive:", POLICIES, "asked")
        self.target = NumberEntry("True peak of the bus", -6.0, "dBTP", -60.0, 6.0)
        self.average, self.match = menu("Average by:", AVERAGES, "active"), menu("Match by:", MATCHES, "energy")
        self.peak_max = NumberEntry("Highest peak into a box", -3.0, "dBFS", -60.0, 6.0)
        self.limit = NumberEntry("Faders may stay within ±", 3.0, "dB", 0.0, 60.0)
        self.work_out = button("Plan", button_style="primary")
        self.moves, self.words, self._picture = sheet(), sheet(), widgets.VBox()
        super().__init__(
            song, prose(TEXT), row(self.target, self.policy), row(self.average, self.match, self.peak_max, self.limit),
            Slot(self.work_out), self._picture, self.words, self.moves,
        )  # fmt: skip
        self.make = self.action(self.work_out, _plan, self._made, "Planning …", self._asked)
        song.watch(self._changed)
        self._changed("opened")

    def _asked(self):
        wishes = {
            "policy": None if self.policy.value == "asked" else self.policy.value,
            "average": self.average.value, "match": self.match.value,
            "peak_max_dbfs": self.peak_max.number(), "fader_limit_db": self.limit.number(),
        }  # fmt: skip
        return self.song.opened(), self.target.number(), wishes

    def _made(self, found):
        session, plan, target = found
        if session is not self.song.session:
            raise GainlibError("the song was changed meanwhile; press Plan again")
        self.song.planned(plan, target)

    def _changed(self, what):
        if what == "planned":
            self._show(self.song.plan)
        elif what in ("opened", "stems", "chains", "balance", "mixer"):
            self.moves.value = self.words.value = ""
            self._picture.children = []
            told = "Open a song first." if self.song.session is None else "There is no plan of the song as it is now."
            self.note(told)

    def _show(self, plan):
        from gainlib.mix.blackboxes import what_is_known
        from gainlib.mix.sheet import raised_floors

        self._picture.children = [_picture(self.song.session, plan)]
        self.moves.value = _console(plan)
        checks, missed = plan.verification.checks, plan.verification.missed
        rows = [(check.name, str(check).removeprefix(f"{check.name}: ")) for check in checks]
        every = table("Checks on a full render", ("what", "measured"), rows)
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
            verdict = plan.verification.verdict
            return self.tell("partly", f"{verdict[:1].upper()}{verdict[1:]}", f"{text} Measure them in step 3.")
        self.tell("right", "Verified", text)


def _plan(tell, session, target_dbtp, wishes):
    from gainlib.mix import plan

    return session, plan(session, target_dbtp, progress=tell, **wishes), target_dbtp


def _console(plan):
    """Return a line a strip of what to set, and under it what moves and why."""
    lines = [map(cell_text, cells) for _, cells in console_table(console_rows(plan))]
    reasons = (
        (", ".join(strips), move.control, "on" if move.control == "DC block" else _by(move), move.place, reason)
        for strips, move, reason in said_once(plan.moves)
    )
    why = table("Moves", WHY, reasons, (2,))
    return (
        f"{table('What to set', HEADS, lines, (2, 4, 5, 6))}<p class='gl-sub'>{LEGEND}</p>"
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
