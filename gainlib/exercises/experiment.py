"""What a lab's experiment is: controls, a session that follows them, and what is seen and heard of it.

A lab declares an :class:`Experiment`; the desk of the page shows it, and an exercise whose controls are set by hand
(:mod:`gainlib.exercises.set_and_measure`) measures the very same. From a frozen :class:`Setting` follows a
:class:`~gainlib.session.Session`, from that one :class:`~gainlib.session.Trace`; pictures, verdict, player and checks
all read the same :class:`Run`. No screen is needed here: a picture is declared by its kind and by what it reads of a
run, and drawn by :mod:`gainlib.notebook.figures`.
"""

import math
from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from threading import Lock
from typing import Any, ClassVar

from gainlib.audio import Audio, GainlibError
from gainlib.exercises.practical import applied
from gainlib.session import FaderLaw, Session
from gainlib.words import Table, level_text

RUNS_KEPT = 8
STEPS_MOST = 100_000


class Kept:
    """The last few results by their key, as long as they weigh no more than so much together."""

    def __init__(self, most: int, weight: Callable[[Any], float] = lambda found: 1):
        self._most, self._weight, self._held, self._lock = most, weight, OrderedDict(), Lock()

    def __contains__(self, key):
        return key in self._held

    def get(self, key: Any, make: Callable[[], Any]) -> Any:
        """Return what is kept, or make it."""
        with self._lock:
            if key in self._held:
                self._held.move_to_end(key)
                return self._held[key]
        made = make()  # outside: the desk measures beside the hand, and neither waits for the other
        with self._lock:
            made = self._held.setdefault(key, made)
            while len(self._held) > 1 and sum(map(self._weight, self._held.values())) > self._most:
                self._held.popitem(last=False)
        return made


@dataclass(frozen=True)
class Slider:
    """A number under the hand: dragged, moved by keys, or typed.

    Parameters
    ----------
    name, label : str
        In the setting, and on the page.
    low, high, step : float
        Range, and what one arrow key moves; ten steps a page key unless `page` says otherwise.
    start : float
        Where it stands at first.
    unit : str
        Behind the value.
    home : float or None
        The neutral value that the Home key goes to; the start if left out.
    page : float or None
        What a page key moves.
    decimals : int
        Decimals shown.
    steps : tuple of float
        The only values there are, in order, where they lie unevenly; low, high and step are then not needed.
    words : mapping of float to str
        What stands in place of the number and its unit for single values.
    off : callable
        ``off(setting)`` returns why the control does nothing now, or "".
    shown : callable
        ``shown(setting)`` tells whether the control is on the page, as one of a strip that is chosen there.
    travel : FaderLaw or None
        What a fader's way is divided like; even if left out.
    """

    name: str
    label: str
    low: float = 0.0
    high: float = 0.0
    step: float = 0.1
    start: float = 0.0
    unit: str = "dB"
    home: float | None = None
    page: float | None = None
    decimals: int = 1
    steps: tuple[float, ...] = ()
    words: Mapping[float, str] = field(default_factory=dict)
    off: Callable[["Setting"], str] = lambda setting: ""
    shown: Callable[["Setting"], bool] = lambda setting: True
    travel: FaderLaw | None = None

    def __post_init__(self):
        if self.steps:
            object.__setattr__(self, "low", self.steps[0])
            object.__setattr__(self, "high", self.steps[-1])
        if not (self.low < self.high and 0 < self.step and (self.high - self.low) / self.step < STEPS_MOST):
            raise GainlibError(f"{self.label}: from {self.low} to {self.high} by {self.step}; the low end comes first")
        self.checked(self.start)

    def checked(self, value: Any) -> float:
        """Return a value as a number within the range, or refuse it by name."""
        if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
            raise GainlibError(f"{self.label}: {value!r} is no number; give one from {self.low:g} to {self.high:g}")
        if self.steps and value not in self.steps:
            raise GainlibError(f"{self.label}: {value!r} is none of its steps, {self.low:g} to {self.high:g}")
        if not self.low - 1e-9 <= value <= self.high + 1e-9:
            raise GainlibError(f"{self.label}: {value:g} {self.unit}; it goes from {self.low:g} to {self.high:g}")
        return float(value)


@dataclass(frozen=True)
class Choice:
    """One of a few things: a stem, a processor, a switch.

    Parameters
    ----------
    name, label : str
        In the setting, and on the page.
    options : mapping
        Value to what stands for it on the page, in order.
    start : object
        The value it has at first; the first if left out.
    off : callable
        ``off(setting)`` returns why the choice does nothing now, or "".
    turns : bool
        Whether it only turns to what is looked at: then there are buttons for the one before and the one after, Undo
        takes no step for it, and it stays where it is when all goes back to start.
    """

    name: str
    label: str
    options: Mapping[Any, str]
    start: Any = None
    off: Callable[["Setting"], str] = lambda setting: ""
    turns: bool = False
    shown: ClassVar[Callable[["Setting"], bool]] = staticmethod(lambda setting: True)

    def __post_init__(self):
        if len(self.options) < 2:
            raise GainlibError(f"{self.label}: {len(self.options)} options; give two or more")
        object.__setattr__(self, "options", dict(self.options))
        if self.start is None:
            object.__setattr__(self, "start", next(iter(self.options)))
        self.checked(self.start)

    def checked(self, value: Any) -> Any:
        """Return a value that can be chosen, or refuse it by name."""
        try:
            known = value in self.options
        except TypeError:
            known = False
        if not known:
            raise GainlibError(f"{self.label}: {value!r} is none of {', '.join(map(str, self.options))}")
        return value


class _Column:
    """What faders and trims share: one number a strip, in a dict of the setting."""

    @property
    def starts(self) -> dict:
        """What the column adds to a setting at first."""
        own = {self.name: dict(zip(self.names, self.start, strict=True))}
        return own | {option: () for option in self.options}

    @property
    def field(self) -> str:
        """The control of each strip that it holds, as in an answer."""
        return self.name.replace("s_db", "_db")

    def placed(self, setting: "Setting") -> dict:
        """Return where the strips' controls stand, as an answer."""
        answer = {}
        for name in self.names:
            own, buttons = {self.field: setting[self.name][name]}, () if name in self.apart else self.options
            answer[self.owners.get(name, name)] = own | {option: name in setting[option] for option in buttons}
        return answer


@dataclass(frozen=True)
class Mixer(_Column):
    """The faders of a mix: one compact strip each, with mute and solo, and one colour in strip and plot.

    In the setting stand a dict of faders under `name`, and tuples of muted and soloed names under ``mute``, ``solo``.

    Parameters
    ----------
    names : tuple of str
        Of the strips, in order.
    start : tuple of float
        Faders at first, in dB.
    name, label : str
        In the setting, and for a screen reader.
    options : tuple of {"mute", "solo"}
        Which buttons each strip has.
    colors : tuple of int
        Which look of the palette each strip has; in order if left out.
    look : {"line", "fill", ""}
        Whether the plots show a strip as a line or as an area; "" where they show none.
    apart : tuple of str
        Names that have no buttons and do not move with all others when they are linked: the master.
    low_db : float
        The lowest that counts in an answer; −∞ lets a fader be closed.
    scale : {"db", "mm"}
        What the scale and the typed value mean; the setting is in dB either way.
    law : callable or None
        ``law(setting)`` returns the travel, a :class:`~gainlib.session.FaderLaw`; the usual one if left out.
    owners : mapping of str to str
        Whose fader in the session one is that is not named after its strip; the master's is "bus".
    """

    names: tuple[str, ...]
    start: tuple[float, ...]
    name: str = "faders_db"
    label: str = "Faders"
    options: tuple[str, ...] = ("mute", "solo")
    colors: tuple[int, ...] = ()
    look: str = "line"
    apart: tuple[str, ...] = ()
    low_db: float = -math.inf
    scale: str = "db"
    law: Callable[["Setting"], FaderLaw] | None = None
    owners: Mapping[str, str] = field(default_factory=lambda: {"master": "bus"})
    high_db: ClassVar[float] = 10.0


@dataclass(frozen=True)
class Trims(_Column):
    """A column of gains with an even travel and two ends: output trims, send levels; one a strip of the mixer before.

    In the setting stands a dict under `name`.

    Parameters
    ----------
    names : tuple of str
        Whose they are. Where they are those of the mixer before, the column stands beside its faders.
    start : tuple of float
        Where they stand at first, in dB.
    name, label : str
        In the setting, and above the column.
    low_db, high_db : float
        Range.
    """

    names: tuple[str, ...]
    start: tuple[float, ...]
    name: str = "post_trims_db"
    label: str = "Output trims"
    low_db: float = -24.0
    high_db: float = 24.0
    options: ClassVar[tuple[str, ...]] = ()
    owners: ClassVar[Mapping[str, str]] = {}
    apart: ClassVar[tuple[str, ...]] = ()


@dataclass(frozen=True)
class Again:
    """A button that counts how often it was pressed: another take, the same hand once more.

    Parameters
    ----------
    name, label : str
        In the setting, and on the button.
    fresh : bool
        Whether all else goes back to its start.
    hint : str
        What it does, in a few words.
    start : int
        The count at first.
    """

    name: str
    label: str
    fresh: bool = False
    hint: str = ""
    start: int = 1


@dataclass(frozen=True)
class Text:
    """Lines typed by hand, such as measured points.

    Parameters
    ----------
    name, label : str
        In the setting, and above the lines.
    start : str
        What stands there at first.
    rows : int
        Lines shown at once.
    """

    name: str
    label: str
    start: str = ""
    rows: int = 10


Control = Slider | Choice | Mixer | Trims | Again | Text


class Setting(Mapping):
    """Where every control stands: a frozen mapping whose values can be read as attributes too.

    Examples
    --------
    >>> setting = Setting({"drive_db": -6.0})
    >>> setting.drive_db, setting.with_(drive_db=0.0)["drive_db"]
    (-6.0, 0.0)
    """

    __slots__ = ("_values",)

    def __init__(self, values: Mapping[str, Any]):
        object.__setattr__(self, "_values", dict(values))

    def __getitem__(self, name):
        return self._values[name]

    def __iter__(self):
        return iter(self._values)

    def __len__(self):
        return len(self._values)

    def __getattr__(self, name):
        try:
            return self._values[name]
        except KeyError:
            raise AttributeError(f"the setting has no {name!r}; it has {', '.join(self._values)}") from None

    def __setattr__(self, name, _value):
        raise AttributeError(f"{name} cannot be set; use with_()")

    def __reduce__(self):
        return Setting, (self._values,)

    def __eq__(self, other):
        return isinstance(other, Setting) and self._values == other._values

    def __hash__(self):
        return hash(self.key)

    def __repr__(self):
        return f"Setting({self._values})"

    @property
    def key(self) -> tuple:
        """The values as something that can be hashed."""
        return tuple((name, _hashable(value)) for name, value in self._values.items())

    def with_(self, **values: Any) -> "Setting":
        """Return the setting with some values exchanged; unknown names are refused."""
        unknown = sorted(set(values) - set(self._values))
        if unknown:
            raise GainlibError(f"no control is called {unknown[0]!r}; there is {', '.join(self._values)}")
        return Setting({**self._values, **values})


def _hashable(value):
    if isinstance(value, Mapping):
        return tuple((key, _hashable(each)) for key, each in value.items())
    return tuple(value) if isinstance(value, list) else value


@dataclass(frozen=True)
class Plot:
    """One plot of a picture.

    Parameters
    ----------
    kind : str
        Name of the plot in :mod:`gainlib.notebook.figures`: "reduction", "transfer", "spectrum" …
    read : callable
        ``read(run)`` returns what the drawing's ``update`` takes, as a tuple, or None where there is nothing yet.
    options : mapping
        What the drawing is made with.
    """

    kind: str
    read: Callable[["Run"], tuple | None]
    options: Mapping[str, Any] = field(default_factory=dict)


def meters(
    names: Sequence[str], read: Callable[["Run"], Sequence[float]], units="dBFS", digits: int = 1, **options
) -> Plot:
    """Return a plot of levels with their text; ``read(run)`` has one a name, `units` is theirs, or has one each."""

    def shown(run):
        levels = list(read(run))
        each = [units] * len(levels) if isinstance(units, str) else units
        return levels, [level_text(level, unit, digits) for level, unit in zip(levels, each, strict=True)]

    return Plot("meters", shown, {"names": tuple(names), **options})


@dataclass(frozen=True)
class Picture:
    """A picture on the desk: plots in a mosaic; several pictures stand behind each other, under tabs.

    Parameters
    ----------
    title : str
        On the tab, and at the head of the text alternative.
    mosaic : tuple of str
        Rows of letters, one letter a plot, as for ``matplotlib``'s ``subplot_mosaic``.
    plots : mapping of str to Plot
        By letter; a plot over several axes by all its letters, "AB".
    widths, heights : tuple of float
        Shares of columns and rows; equal if left out.
    margins : mapping of str to float
        Where the axes begin and end and how far apart they lie, as for ``GridSpec``, where names need more room.
    after_prediction : bool
        Whether it stays shut until the lab's prediction is locked, since it shows what that is compared with.
    height_px : int
        Of 700 pixels' width; less where much stands under the desk.
    """

    title: str
    mosaic: tuple[str, ...]
    plots: Mapping[str, Plot]
    widths: tuple[float, ...] = ()
    heights: tuple[float, ...] = ()
    margins: Mapping[str, float] = field(default_factory=dict)
    after_prediction: bool = False
    height_px: int = 368


def picture(
    title: str, kind: str, read: Callable[["Run"], tuple | None], /, *, margins: Mapping | None = None, **options: Any
) -> Picture:
    """Return a picture of a single plot; the options are the drawing's."""
    return Picture(title, ("P",), {"P": Plot(kind, read, options)}, margins=margins or {})


@dataclass(frozen=True)
class Sheet:
    """A table under a tab of its own.

    Parameters
    ----------
    title : str
        On the tab.
    read : callable
        ``read(run)`` returns the :class:`~gainlib.words.Table`, or None where there is nothing yet.
    after_prediction : bool
        As of a :class:`Picture`.
    """

    title: str
    read: Callable[["Run"], Table | None]
    after_prediction: bool = False


@dataclass(frozen=True)
class Listen:
    """What can be heard of a run.

    Parameters
    ----------
    sounds : callable
        ``sounds(run)`` returns a dict of name to Audio, always the same names; None leaves what there is.
    matched : callable
        ``matched(setting)`` tells whether the player matches them in loudness.
    note : callable
        ``note(setting)`` returns what stands above the player.
    ceiling_dbtp : float or None
        Own ceiling, as for test tones; the player's if left out.
    later : bool
        Whether the sounds come from what `Later` has found.
    after_prediction : bool
        As of a :class:`Picture`.
    """

    sounds: Callable[["Run"], dict[str, Audio] | None]
    matched: Callable[[Setting], bool] = lambda setting: True
    note: Callable[[Setting], str] = lambda setting: ""
    ceiling_dbtp: float | None = None
    later: bool = False
    after_prediction: bool = False


@dataclass(frozen=True)
class Drive:
    """What of a session a slider or choice stands for, in words that a browser can follow.

    Parameters
    ----------
    owner, field : str
        A strip, a group or "bus"; its control, named as in a session's controls as an answer.
    scale, offset : float
        What the value is multiplied by, and what is then added; or `scale` has what each value stands for.
    """

    owner: str
    field: str
    scale: float | dict[Any, Any] = 1.0
    offset: float = 0.0

    def of(self, value: Any) -> Any:
        """Return what a value of the control amounts to."""
        return self.scale[value] if isinstance(self.scale, dict) else value * self.scale + self.offset


@dataclass(frozen=True)
class ListenToMix:
    """A mix that is heard while it is moved: the stems go to the browser, which mixes them as the hand does.

    What the controls of the experiment stand for is followed at once; what no browser can follow is heard when the hand
    has let go. Beside the mix as it is set, it is heard as it was found, or in other views.

    Parameters
    ----------
    part : callable
        ``part(session)`` returns where the part begins that is heard, and how long it is, in seconds; all of it if
        left out.
    same : tuple of str
        Controls that stand for the mix as found as they do now: another take, another sound.
    matched, note : callable
        As for :class:`Listen`.
    cut : bool
        Whether one listens through a converter that cuts off at full scale.
    views : mapping of str to dict
        Ways to hear the mix as it is set, in place of the one as found: by name, the controls that stand elsewhere
        there whatever the hand does, as an answer. The last one changes nothing.
    """

    part: Callable[[Session], tuple[float, float]] = lambda session: (0.0, session.frames / session.rate_hz)
    same: tuple[str, ...] = ()
    matched: Callable[[Setting], bool] = lambda setting: True
    note: Callable[[Setting], str] = lambda setting: ""
    cut: bool = False
    views: Mapping[str, dict] = field(default_factory=dict)
    later: ClassVar[bool] = False
    after_prediction: ClassVar[bool] = False


@dataclass(frozen=True)
class Later:
    """What is worked out when the hand lets go, beside it, in a thread.

    Parameters
    ----------
    work : callable
        ``work(run, progress)`` returns the result; ``progress(done, text)`` may be called. Plots, sheets and sounds
        read it as ``run.found`` until the next has come, so it may belong to an earlier setting.
    told : callable
        ``told(run, result)`` returns what to say of it, in Markdown.
    busy : str
        What stands there meanwhile.
    lines : int
        Lines reserved for what is said.
    of_tab : bool
        Whether the work depends on the tab in front, ``run.front``, and is asked for again when another is turned to.
    """

    work: Callable[["Run", Callable], Any]
    told: Callable[["Run", Any], str]
    busy: str = "Measuring …"
    lines: int = 1
    of_tab: bool = False


@dataclass(frozen=True)
class Take:
    """A file that can be taken away.

    Parameters
    ----------
    label : str
        On the button.
    make : callable
        ``make(run)`` returns file name and bytes.
    """

    label: str
    make: Callable[["Run"], tuple[str, bytes]]


@dataclass(frozen=True, eq=False)
class Experiment:
    """Controls, the session that follows them, and what is seen, said and heard of it.

    Parameters
    ----------
    controls : tuple of Slider, Choice, Mixer, Trims, Again or Text
        Names unique.
    pictures : tuple of Picture or Sheet
        One or more; one tab each.
    session : Session, callable or None
        The :class:`~gainlib.session.Session`, or ``session(setting)`` returns it: faders, trims and what has one of the
        `places` are then put there. None where the experiment is about no audio.
    read : callable or None
        ``read(run)`` returns what the lab measures on a run, kept as ``run.seen``.
    told : callable, optional
        ``told(run)`` returns the verdict in Markdown: two or three short sentences.
    numbers : callable, optional
        ``numbers(run)`` returns a table that stands under the controls.
    listen : Listen or ListenToMix, optional
        What can be heard.
    later : Later, optional
        Work for when the hand has let go.
    link : callable, optional
        ``link(rested, setting, moved)`` returns the setting with what moves along when the control of that name does;
        `rested` is where everything stood when the hand last let go.
    take : Take, optional
        A sound file that can be taken away.
    title : str
        What the experiment is, for a screen reader.
    lines : int
        Lines reserved for the verdict, so that nothing moves when it grows.
    asks : str
        What is asked before all goes back to start; nothing if empty.
    places : mapping of str to tuple
        What of the session a slider or choice stands for, by its name: target and control as in an answer, and what
        else a :class:`Drive` says; or several of these. What has no place is seen to by `session`.
    before : Session, optional
        What a run is compared with, as ``run.before``; the session as it is found if left out.

    Examples
    --------
    >>> bare = Experiment((Slider("x_db", "Gain", -6, 6, start=1.0),), (), read=lambda run: 2 * run.setting.x_db)
    >>> bare.at(bare.start).seen
    2.0
    >>> bare.setting(x_db=7.0)
    Traceback (most recent call last):
    gainlib.audio.GainlibError: Gain: 7 dB; it goes from -6 to 6
    """

    controls: tuple[Control, ...]
    pictures: tuple[Picture | Sheet, ...]
    session: Session | Callable[[Setting], Session] | None = None
    read: Callable[["Run"], Any] | None = None
    told: Callable[["Run"], str] | None = None
    numbers: Callable[["Run"], Table] | None = None
    listen: Listen | ListenToMix | None = None
    later: Later | None = None
    link: Callable[[Setting, Setting, str], Setting] | None = None
    take: Take | None = None
    title: str = "Experiment"
    lines: int = 3
    asks: str = ""
    places: Mapping[str, tuple] = field(default_factory=dict)
    before: Session | None = None

    def __post_init__(self):
        names = list(self.start)
        if len(set(names)) < len(names):
            raise GainlibError(f"no two controls may share a name; these are {names}")
        object.__setattr__(self, "_runs", Kept(RUNS_KEPT))

    @cached_property
    def start(self) -> Setting:
        """The setting as the lab begins."""
        values = {}
        for control in self.controls:
            values |= control.starts if isinstance(control, _Column) else {control.name: control.start}
        return Setting(values)

    def setting(self, **values: Any) -> Setting:
        """Return the start with some values exchanged, each within its control's range."""
        known = {control.name: control for control in self.controls if hasattr(control, "checked")}
        return self.start.with_(**{n: known[n].checked(v) if n in known else v for n, v in values.items()})

    @cached_property
    def origin(self) -> "Run":
        """The run that all others are compared with."""
        if self.before is None:
            return self.at(self.start)
        run = Run(self, self.start)
        run.session = self.before
        return run

    def drives(self, name: str) -> tuple[Drive, ...]:
        """Return what a slider or choice stands for; nothing where it has no place in the session."""
        place = self.places.get(name, ())
        return tuple(Drive(*each) for each in ((place,) if isinstance(next(iter(place), None), str) else place))

    def put(self, session: Session, values: Mapping[str, Any]) -> Session:
        """Return a session with sliders and choices where they stand by their names."""
        answer: dict = {}
        for name, value in values.items():
            for each in self.drives(name):
                answer.setdefault(each.owner, {})[each.field] = each.of(value)
        return applied(session, answer)

    def at(self, setting: Setting) -> "Run":
        """Return the run of a setting; the last few are kept."""
        return self._runs.get(setting.key, lambda: Run(self, setting))


class Run:
    """One setting at work: its session, its trace, and what is read of it, each worked out once and on demand.

    Attributes
    ----------
    experiment : Experiment
    setting : Setting
    found : object
        What `Later` has last worked out on the page, perhaps of an earlier setting; None before.
    front : str
        Title of the tab in front on the page.
    """

    found: Any = None
    front: str = ""

    def __init__(self, experiment: Experiment, setting: Setting):
        self.experiment, self.setting = experiment, setting

    @cached_property
    def session(self) -> Session:
        """The session of the setting."""
        found, setting = self.experiment.session, self.setting
        if found is None:
            raise GainlibError("this experiment has no session")
        found = found(setting) if callable(found) else found
        for each in self.experiment.controls:
            found = applied(found, each.placed(setting)) if isinstance(each, _Column) else found
        return self.experiment.put(found, setting)

    @property
    def before(self) -> "Run":
        """What this is compared with."""
        return self.experiment.origin

    @cached_property
    def trace(self):
        """The session, rendered on demand."""
        return self.session.render()

    @cached_property
    def seen(self) -> Any:
        """What the lab measures."""
        return None if self.experiment.read is None else self.experiment.read(self)

    def audio(self, node: str) -> Audio:
        """Return the audio at a node of the session."""
        return self.trace.audio(node)


def db_slider(name: str, label: str, low: float, high: float, start: float = 0.0, **more) -> Slider:
    """Return a gain under the hand: arrows 0.1 dB, page keys 1 dB, Home at 0 dB where that is within reach."""
    home = 0.0 if low <= 0.0 <= high else start
    return Slider(name, label, low, high, 0.1, start, **{"home": home, "page": 1.0} | more)
