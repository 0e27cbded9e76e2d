"""One kernel ahead: the next page takes over a kernel that has read the library already.

Starting Python and reading the library is most of what a reader would wait for. While one page is read, a spare kernel
is made ready for the next one in the same folder; it holds some 130 MB and does nothing. With ``GAINLIB_SPARE=0``, as
on a hub, there is none.
"""

import asyncio
import os

PAGE = {"SERVER_SOFTWARE": "voila"}  # what tells a kernel behind a page from one behind a notebook
QUIET_S = 8.0  # the page that has just been opened comes first
_READ_AHEAD = "--IPKernelApp.exec_lines=['import gainlib.notebook.spare as _spare; _spare.read_ahead(); del _spare']"


def behind_page(environment=os.environ) -> bool:
    """Whether a kernel with this environment runs behind a page."""
    return environment.get("SERVER_SOFTWARE", "").startswith(PAGE["SERVER_SOFTWARE"])


def spare_wanted(environment=os.environ) -> bool:
    """Whether a kernel is kept ahead here."""
    return environment.get("GAINLIB_SPARE") != "0"


class SpareKernel:
    """Starts kernels as the server's manager does, and keeps one ahead for pages.

    Parameters
    ----------
    manager : jupyter_server MappingKernelManager
        Its ``start_kernel`` is replaced by the one here.
    """

    def __init__(self, manager):
        self._manager, self._start, self._spare, self._pages = manager, manager.start_kernel, None, 0
        manager.start_kernel = self.start_kernel

    async def start_kernel(self, **options) -> str:
        """Return the id of a kernel: the spare one where it fits, else a new one."""
        if not behind_page(options.get("env") or {}):
            return await self._start(**options)
        self._pages += 1
        if spare_wanted():
            self._coming = asyncio.ensure_future(self._after(options, self._pages))
        spare, self._spare = self._spare, None
        if spare is None or spare[1] not in self._manager:
            return await self._start(**options)
        if spare[0] == _place(options):
            return spare[1]
        await self._manager.shutdown_kernel(spare[1], now=True)
        return await self._start(**options)

    async def _after(self, options, pages):
        await asyncio.sleep(QUIET_S)
        if pages == self._pages:  # no other page was opened meanwhile
            await self.ahead(**options)

    async def ahead(self, **options) -> None:
        """Make a kernel ready for the next page, if there is none yet."""
        if self._spare is None:
            self._spare = (_place(options), await self._start(**options, extra_arguments=[_READ_AHEAD]))


def _place(options):
    return options.get("kernel_name"), options.get("path")


def read_ahead() -> None:
    """Read what any page needs: the labs with their panels, and what draws and plays."""
    import gainlib.notebook.forms
    import gainlib.notebook.index
    import gainlib.notebook.lab
    import gainlib.notebook.predict
    import gainlib.notebook.sheets  # noqa: F401
    from gainlib.exercises import bank
    from gainlib.notebook.desk import Desk  # noqa: F401
    from gainlib.notebook.panels import lab_module

    for number in sorted({each.lab for each in bank()}):
        lab_module(number)
