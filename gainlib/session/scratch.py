"""Tables too long for memory: rows in a file without a name, read back where they are needed."""

import tempfile

import numpy as np

IN_MEMORY_BYTES = 64_000_000


class Table:
    """Rows of numbers, in memory while they are few and in a temporary file otherwise.

    The file goes away with the table, and with the process, however that ends.

    Parameters
    ----------
    rows, columns : int
    """

    def __init__(self, rows: int, columns: int):
        self._rows, self._columns = rows, columns
        self._array = self._file = None
        if rows * columns * 8 <= IN_MEMORY_BYTES:
            self._array = np.zeros((rows, columns))
        else:
            self._file = tempfile.TemporaryFile(prefix="gainlib-products-")

    @property
    def on_disk(self) -> bool:
        """Whether the rows are in a file, as float32."""
        return self._file is not None

    def write(self, first: int, rows: np.ndarray) -> None:
        """Put rows in, from row `first` on."""
        if self._array is not None:
            self._array[first : first + len(rows)] = rows
        else:
            self._file.seek(first * self._columns * 4)
            self._file.write(rows.astype(np.float32).tobytes())

    def read(self, first: int, count: int) -> np.ndarray:
        """Return up to `count` rows from `first` on; fewer, or none, past the end."""
        count = max(min(count, self._rows - first), 0)
        if self._array is not None:
            return self._array[first : first + count]
        self._file.seek(first * self._columns * 4)
        found = np.frombuffer(self._file.read(count * self._columns * 4), np.float32)
        return found.reshape(-1, self._columns).astype(float)
