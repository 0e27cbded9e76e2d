"""``loop(signature)`` compiles a loop over samples; one that was compiled ahead is used wherever it can be read.

Numba reads compiled loops only where it may write them too. A course folder that an administrator has prepared is read
only, and every learner would compile anew. Here what lies beside the source is looked at first; what is missing there
is compiled, and kept in the user's own cache folder if there is one.
"""

import inspect
from pathlib import Path

from numba import njit
from numba.core.caching import FunctionCache, IndexDataCacheFile


class _Shared(FunctionCache):
    def __init__(self, function):
        super().__init__(function)
        beside = Path(inspect.getfile(function)).parent / "__pycache__"
        stamp = self._impl.locator.get_source_stamp()
        self._ahead = IndexDataCacheFile(str(beside), self._impl.filename_base, stamp)

    def _load_overload(self, signature, context):
        data = self._ahead.load(self._index_key(signature, context.codegen()))
        return super()._load_overload(signature, context) if data is None else self._impl.rebuild(context, data)


def loop(signature: str, **options):
    """Compile a function for one signature, or take it as it was compiled before.

    Parameters
    ----------
    signature : str
        Types of the result and the arguments, as numba writes them.
    **options
        Further ones of ``numba.njit``.
    """

    def compiled(function):
        dispatcher = njit(nogil=True, error_model="numpy", **options)(function)
        try:
            dispatcher._cache = _Shared(function)
        except RuntimeError:  # no folder at all takes a file: compiled anew each time, which costs time only
            pass
        dispatcher.compile(signature)
        dispatcher.disable_compile()
        return dispatcher

    return compiled
