"""The notebooks as pages: an extension of the Jupyter server that has Voilà render them by a template of our own.

Voilà brings the server's side (a kernel a page) and the widgets' side; the template (``share/voila/templates``) has the
text at once, keeps a place for every output, and runs the cells itself (``page.js``). The same server keeps notebooks
clean that are opened in JupyterLab: what a run leaves in them is not saved.

Starting Python and reading the library is most of what a reader would wait for. While one page is read, a spare kernel
is made ready for the next one in the same folder; it holds some 130 MB and does nothing. With ``GAINLIB_SPARE=0``, as
on a hub, there is none.

``jpserver_extensions`` turns it on, on the command line (``binder/workbook.py``) or in a file (``binder/postBuild``).
"""

import asyncio
import json
import os
import re
from pathlib import Path
from urllib.parse import quote

from gainlib.notebook.assets import html_of

SHARE = Path(__file__).parent / "share"
ONLY_NOTEBOOK = "notebook-only"  # tag of a cell that is of use in JupyterLab alone
KERNEL = {"display_name": "Python 3", "language": "python", "name": "python3"}
KEPT = ("deletable", "editable", "height", "tags")
ELSE_HEIGHT = 320  # pixels, where a cell does not tell
_WIDGETS = ("anywidget", "@jupyter-widgets/jupyterlab-manager", "@voila-dashboards/widgets-manager8")
PAGE = {"SERVER_SOFTWARE": "voila"}  # what tells a kernel behind a page from one behind a notebook
QUIET_S = 8.0  # the page that has just been opened comes first
_READ_AHEAD = "--IPKernelApp.exec_lines=['from gainlib.notebook.pages import read_ahead; read_ahead(); del read_ahead']"


def _jupyter_server_extension_points():
    return [{"module": __name__}]


def _load_jupyter_server_extension(app):
    """Set up Voilà, whose own extension is loaded after this one: they are loaded in the order of their names."""
    os.environ["JUPYTER_PATH"] = os.pathsep.join(filter(None, [str(SHARE), os.environ.get("JUPYTER_PATH")]))
    app.config.VoilaConfiguration.update(
        template="workbook",
        allow_template_override="NO",
        allow_theme_override="NO",
        extension_allowlist=list(_WIDGETS),
        prelaunch_hook=_prepared,
        page_config_hook=_without_formulas,
    )
    app.contents_manager.pre_save_hook = clean
    spare = SpareKernel(app.kernel_manager)
    first = Path(app.contents_manager.root_dir) / "labs" / "index.ipynb"  # what a reader opens first
    if first.is_file() and spare_wanted():
        app.io_loop.add_callback(spare.ahead, kernel_name=KERNEL["name"], path="labs", env=os.environ | PAGE)


def _prepared(handler, notebook, cwd):
    handler.xsrf_token  # noqa: B018  sets the cookie that the page needs to end its kernel when it is left
    path = handler.path_args[0]
    return with_page(notebook, Path(handler.contents_manager.root_dir) / path, f"{handler.base_url}lab/tree/{path}")


def _without_formulas(config, **_):
    # Voilà always fetches MathJax; formulas are MathML here, and page.js answers for it.
    return config | {"fullMathjaxUrl": "data:text/javascript,//"}


# ---- what the template shows -----------------------------------------------------------------------------------------


def with_page(notebook, file: Path, in_jupyterlab: str):
    """Return a notebook with all its template needs: ``metadata.workbook`` and each cell's ``metadata.page``."""
    notebook.cells = [cell for cell in notebook.cells if ONLY_NOTEBOOK not in cell.metadata.get("tags", ())]
    title = file.stem
    for cell in notebook.cells:
        if cell.cell_type != "markdown":
            shows = re.match(r"\w+\.\w+\(", cell.source)
            cell.metadata["page"] = {"height": cell.metadata.get("height", ELSE_HEIGHT) if shows else 0}
            continue
        heading = re.match(r"# (.+)\n", cell.source)
        if heading:  # stands at the head of the page
            title, cell.source = heading[1], cell.source[heading.end() :]
        cell.metadata["page"] = {"html": html_of(cell.source)}
    before, after = neighbours(file)
    exercises = [cell.id for cell in notebook.cells if re.search(r"-exercise-\d+$", cell.id)]
    notebook.metadata["workbook"] = {
        "title": title,
        "home": "" if file.stem == "index" else "index.ipynb",
        "before": before,
        "after": after,
        "exercises": [(cell, cell.rpartition("-")[2]) for cell in exercises],
        "notebook": quote(in_jupyterlab),
    }
    return notebook


def neighbours(file: Path) -> tuple:
    """Return file name and title of the notebooks before and after one, None where there is none.

    The labs stand in their order; what else lies beside them leads to none.
    """
    labs = sorted(path.name for path in file.parent.glob("[0-9][0-9]-*.ipynb"))
    if file.name not in labs:
        return None, (_named(file.parent / labs[0]) if file.stem == "index" and labs else None)
    k = labs.index(file.name)
    found = (labs[k - 1] if k else None, labs[k + 1] if k + 1 < len(labs) else None)
    return tuple(name and _named(file.parent / name) for name in found)


def _named(file):
    cells = json.loads(file.read_text(encoding="utf-8"))["cells"]
    titles = (re.match(r"# (.+)\n", "".join(cell["source"])) for cell in cells if cell["cell_type"] == "markdown")
    return file.name, next((title[1] for title in titles if title), file.stem)


# ---- what is saved ---------------------------------------------------------------------------------------------------


def clean(model: dict, **_) -> None:
    """Take from a notebook that is about to be saved what a run and an editor leave in it."""
    if model["type"] != "notebook" or not model.get("content"):
        return
    book = model["content"]
    if not any("gainlib.notebook" in "".join(cell["source"]) for cell in book["cells"]):
        return  # somebody's own
    book["metadata"] = {"kernelspec": dict(KERNEL)}
    for cell in book["cells"]:
        metadata = {name: value for name, value in cell["metadata"].items() if name in KEPT}
        if cell["cell_type"] == "code":
            cell["outputs"], cell["execution_count"] = [], None
            metadata["jupyter"] = {"source_hidden": True}
        cell["metadata"] = metadata


# ---- the kernel's side -----------------------------------------------------------------------------------------------


def keep_every_message() -> None:
    """Have the kernel hold back what a busy server has not read yet.

    Beyond 1000 waiting messages its socket would drop them (zmq_setsockopt(3), ZMQ_SNDHWM: 0 is no limit); a lab sends
    nearly as many within a second, and a widget that never reached the page takes the box it stands in with it.
    """
    from IPython import get_ipython

    thread = getattr(getattr(get_ipython(), "kernel", None), "iopub_thread", None)
    if thread is not None:
        thread.schedule(lambda: thread.socket.set_hwm(0))  # a socket belongs to its thread


# ---- one kernel ahead ------------------------------------------------------------------------------------------------


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
    import gainlib.notebook.index  # noqa: F401
    from gainlib.exercises import bank
    from gainlib.notebook.desk import Desk  # noqa: F401
    from gainlib.notebook.panels import lab_module

    for number in sorted({each.lab for each in bank()}):
        lab_module(number)
