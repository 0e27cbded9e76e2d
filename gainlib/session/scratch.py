"""Help for long arrays: tables in a file, read back where they are needed, and products that do not wait."""

import functools
import shutil
import tempfile
from pathlib import Path
from threading import Lock
from typing import BinaryIO

import numpy as np
from threadpoolctl import ThreadpoolController

IN_MEMORY_BYTES = 64_000_000


def one_thread():
    """Return a context in which the matrix library computes on one thread.

    A product here takes a millisecond. Shared out among threads it takes as long on an idle machine, and ten times as
    long on a busy one, where the threads wait for each other.
    """
    return _matrix_libraries().limit(limits=1, user_api="blas")


@functools.cache
def _matrix_libraries():
    return ThreadpoolController()


class Table:
    """Rows of numbers, in memory while they are few and in a file without a name otherwise.

    That file goes away with the table, and with the process, however that ends. On disk numbers are float32.
    """

    def __init__(self, rows: int, columns: int, _file=None, array: np.ndarray | None = None):
        self.rows, self._columns, self._lock = rows, columns, Lock()
        self._array, self._file = array, _file
        if array is None and _file is None and rows * columns * 8 <= IN_MEMORY_BYTES:
            self._array = np.zeros((rows, columns))
        elif array is None and _file is None:
            self._file = tempfile.TemporaryFile(prefix="gainlib-products-")

    @classmethod
    def load(cls, path: Path, rows: int) -> "Table":
        """Return a table that reads from a file that :meth:`save` wrote; it stays open."""
        size = path.stat().st_size
        if rows and size % (4 * rows):
            raise ValueError(f"{path}: {size} bytes do not hold {rows} rows")
        return cls(rows, size // (4 * rows) if rows else 0, path.open("rb"))

    def save(self, file: BinaryIO) -> None:
        """Append all rows to a file, as float32."""
        if self._array is not None:
            file.write(self._array.astype(np.float32).tobytes())
            return
        with self._lock:
            self._file.seek(0)
            shutil.copyfileobj(self._file, file, 2**20)

    def whole(self) -> np.ndarray:
        """Return all rows."""
        return self.read(0, self.rows)

    def write(self, first: int, rows: np.ndarray) -> None:
        """Put rows in, from row `first` on."""
        if self._array is not None:
            self._array[first : first + len(rows)] = rows
            return
        with self._lock:
            self._file.seek(first * self._columns * 4)
            self._file.write(rows.astype(np.float32).tobytes())

    def read(self, first: int, count: int) -> np.ndarray:
        """Return up to `count` rows from `first` on; fewer, or none, past the end."""
        count = max(min(count, self.rows - first), 0)
        if self._array is not None:
            return self._array[first : first + count]
        with self._lock:
            self._file.seek(first * self._columns * 4)
            found = np.frombuffer(self._file.read(count * self._columns * 4), np.float32)
        return found.reshape(-1, self._columns).astype(float)
