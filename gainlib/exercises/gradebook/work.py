"""One learner after the other, or several at a time in processes of their own: some answers are rendered mixes."""

import multiprocessing
import os
import signal
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass

from gainlib.audio import GainlibError
from gainlib.exercises.bank import exercise
from gainlib.exercises.gradebook.marks import Answer, Disagreement, mark_again
from gainlib.exercises.gradebook.rows import Row, learner_rows
from gainlib.exercises.gradebook.submissions import Line

_WORTH_A_PROCESS = 200
_MOST_PROCESSES = 4


@dataclass(frozen=True)
class Task:
    """One learner to be marked.

    Attributes
    ----------
    lines : tuple of Line
        Of this learner, in the order of their time.
    name : tuple of str
        Class code and name as last written.
    exercises : tuple of str
        A row for each.
    most : int or None
        Count only the first so many sets of numbers.
    salt : str
        The course's salt, if it has one.
    """

    lines: tuple[Line, ...]
    name: tuple[str, str]
    exercises: tuple[str, ...]
    most: int | None = None
    salt: str = ""

    @property
    def answers(self) -> int:
        """How many answers there are to mark."""
        return sum(line.event["kind"] == "answer" for line in self.lines)


Done = tuple[list[Answer], list[Disagreement], list[Row]]


def processes_for(tasks: Sequence[Task]) -> int:
    """Return how many processes are worth starting: each takes seconds to begin, so a small class has none."""
    wanted = sum(task.answers for task in tasks) // _WORTH_A_PROCESS
    return max(1, min(wanted, len(tasks), os.cpu_count() or 1, _MOST_PROCESSES))


def work(tasks: Sequence[Task], processes: int | None, done: Callable[[], None]) -> Iterator[Done]:
    """Yield answers, disagreements and rows of every learner, in the order of the tasks.

    Parameters
    ----------
    tasks : sequence of Task
        The class.
    processes : int or None
        How many learners at a time; 1 stays in this process, None decides by how much there is to do.
    done : callable
        Called after every answer.

    Raises
    ------
    GainlibError
        When a process ends before its time.
    """
    processes = processes_for(tasks) if processes is None else processes
    if processes == 1:
        yield from (_mark(task, done) for task in tasks)
        return
    context = multiprocessing.get_context("spawn")
    pool = ProcessPoolExecutor(processes, mp_context=context, initializer=_end_when_interrupted)
    try:
        for task, result in zip(tasks, pool.map(_mark, tasks), strict=True):
            for _ in range(task.answers):
                done()
            yield result
    except BrokenProcessPool:
        raise GainlibError("a process that marks ended before its time; try again with one process only") from None
    finally:
        pool.shutdown(cancel_futures=True)


def _mark(task: Task, done: Callable[[], None] = lambda: None) -> Done:
    answers, disagreements = mark_again(task.lines, task.name, task.salt, done)
    chosen = [exercise(id) for id in task.exercises]
    return answers, disagreements, learner_rows(task.lines, task.name, answers, chosen, task.most, task.salt)


def _end_when_interrupted():
    signal.signal(signal.SIGINT, signal.SIG_DFL)  # at once and without a traceback; the parent says it
