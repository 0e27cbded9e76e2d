"""What a page is made of, what is saved of a notebook, and the labs as they were shipped; all without a browser."""

import asyncio
import copy
import itertools
import re
import subprocess
from collections import Counter
from pathlib import Path

import nbformat
import pytest
from jupyter_client.manager import start_new_kernel

from gainlib.audio import GainlibError
from gainlib.notebook import pages, shipped
from gainlib.notebook.assets import html_of

ROOT = Path(__file__).parent.parent
NOTEBOOKS = sorted((ROOT / "labs").glob("*.ipynb"))
each_notebook = pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)


def page_of(path):
    return pages.with_page(nbformat.read(path, as_version=4), path, f"/user/anna/lab/tree/the labs/{path.name}")


# ---- text ------------------------------------------------------------------------------------------------------------


@each_notebook
def test_all_text_is_html_and_formulas_are_mathml(path):
    book = page_of(path)
    for cell in book.cells:
        if cell.cell_type == "markdown":
            page = cell.metadata.page["html"]
            assert "$" not in page and "<h1" not in page
            assert page.count("<math") == len(re.findall(r"\$\$.+?\$\$|\$[^$]+\$", cell.source))
            assert "Run All" not in page
        else:
            assert cell.metadata.page["height"] > 0 or " = " in cell.source


def test_a_formula_in_one_line_stands_by_itself():
    page = html_of("before\n\n$$y[n] = \\sum_i g_i$$\n\nafter $x_i$")
    assert '<math xmlns="http://www.w3.org/1998/Math/MathML" display="block">' in page
    assert page.count("<math") == 2 and "$" not in page


@each_notebook
def test_a_page_leads_home_and_on(path):
    head = page_of(path).metadata["workbook"]
    assert head["title"] and "#" not in head["title"]
    assert head["notebook"] == f"/user/anna/lab/tree/the%20labs/{path.name}"
    assert head["home"] == ("" if path.stem == "index" else "index.ipynb")
    for way in filter(None, (head["before"], head["after"])):
        assert (path.parent / way[0]).is_file() and way[1].startswith("Lab ")


def test_every_lab_is_reached_from_the_one_before():
    seen, at = [], "index.ipynb"
    while (way := pages.neighbours(ROOT / "labs" / at)[1]) is not None:
        at = way[0]
        seen.append(at)
        assert len(seen) == 1 or pages.neighbours(ROOT / "labs" / at)[0][0] == seen[-2]
    assert seen == [path.name for path in NOTEBOOKS if path.name[0].isdigit()]


@each_notebook
def test_links_of_a_page_lead_somewhere(path):
    for cell in nbformat.read(path, as_version=4).cells:
        for file in re.findall(r"\]\(([\w-]+\.ipynb)", cell.source):
            assert (path.parent / file).is_file(), cell.id


# ---- what is saved ---------------------------------------------------------------------------------------------------


@each_notebook
def test_what_a_run_leaves_is_not_saved(path):
    book = nbformat.read(path, as_version=4)
    used = copy.deepcopy(book)
    used.metadata["language_info"] = {"name": "python", "version": "3.12.1"}
    used.metadata["kernelspec"]["display_name"] = "Python 3 (ipykernel)"
    used.metadata["widgets"] = {"application/vnd.jupyter.widget-state+json": {"state": {}}}
    for k, cell in enumerate(used.cells):
        cell.metadata["trusted"] = True
        if cell.cell_type == "code":
            cell.execution_count = k + 1
            cell.outputs = [nbformat.v4.new_output("display_data", {"text/plain": "Lab"})]
            cell.metadata["jupyter"] = {"source_hidden": False, "outputs_hidden": True}
            cell.metadata["execution"] = {"iopub.status.busy": "now"}
    pages.clean({"type": "notebook", "content": used}, path=f"labs/{path.name}", contents_manager=None)
    assert nbformat.writes(used) + "\n" == path.read_text(encoding="utf-8")


def test_a_notebook_of_somebodys_own_is_left_alone():
    book = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell("1 + 1", execution_count=3)])
    before = copy.deepcopy(book)
    pages.clean({"type": "notebook", "content": book})
    pages.clean({"type": "file", "content": "text"})
    assert book == before


# ---- the kernel's side -----------------------------------------------------------------------------------------------

PAGES = {
    "Lab": "import tempfile; from gainlib.notebook.lab import Lab; page = Lab('05', folder=tempfile.mkdtemp())",
    "Index": "import tempfile; from gainlib.notebook.index import Index; page = Index(folder=tempfile.mkdtemp())",
    "Bench": "from gainlib.notebook.bench import Bench; page = Bench()",
}
# more than all queues and buffers on the way hold together: 1000 messages at each end and some megabytes between
MANY = "for _ in range(5000): display({'text/plain': 'x' * 4000}, raw=True)"


@pytest.mark.parametrize("code", PAGES.values(), ids=PAGES)
def test_what_a_kernel_says_reaches_a_server_that_reads_late(code, monkeypatch, tmp_path):
    monkeypatch.setenv("GAINLIB_BENCH", str(tmp_path))
    manager, client = start_new_kernel(kernel_name="python3")
    try:
        assert client.execute(code, reply=True, timeout=60)["content"]["status"] == "ok"
        sent = client.execute(MANY)
        client.get_shell_msg(timeout=60)
        read = iter(lambda: client.get_iopub_msg(timeout=20), None)
        mine = (each for each in read if each["parent_header"].get("msg_id") == sent)
        kinds = Counter(each["msg_type"] for each in itertools.takewhile(lambda each: not _is_idle(each), mine))
        assert kinds["display_data"] == 5000
    finally:
        client.stop_channels()
        manager.shutdown_kernel(now=True)


def _is_idle(message):
    return message["content"].get("execution_state") == "idle"


# ---- a kernel ahead --------------------------------------------------------------------------------------------------


class Kernels(dict):
    """Stands in for the server's manager of kernels: id to the options it was started with."""

    async def start_kernel(self, **options):
        self.count = getattr(self, "count", 0) + 1
        self[str(self.count)] = options
        return str(self.count)

    async def shutdown_kernel(self, id, now=False):
        self.pop(id)


def started(kernels, *paths, env=pages.PAGE):
    """Open pages of these folders one after the other, each after the spare kernel of the one before is there."""
    made = pages.SpareKernel(kernels)

    async def open_all():
        ids = []
        for path in paths:
            ids.append(await kernels.start_kernel(kernel_name="python3", path=path, env=env))
            await asyncio.sleep(0.01)
        return ids

    return made, asyncio.run(open_all())


@pytest.fixture
def at_once(monkeypatch):
    monkeypatch.setattr(pages, "QUIET_S", 0)


def test_the_next_page_takes_the_kernel_made_ready_for_it(at_once):
    kernels = Kernels()
    _, ids = started(kernels, "labs", "labs", "labs")
    assert ids == ["1", "2", "3"] and len(kernels) == 4
    assert "extra_arguments" not in kernels["1"]
    assert all("read_ahead" in kernels[id]["extra_arguments"][0] for id in ("2", "3", "4"))


def test_in_another_folder_a_page_starts_its_own(at_once):
    kernels = Kernels()
    _, ids = started(kernels, "labs", "elsewhere")
    assert kernels[ids[1]]["path"] == "elsewhere" and "extra_arguments" not in kernels[ids[1]]
    assert [each["path"] for each in kernels.values()] == ["labs", "elsewhere", "elsewhere"]


def test_a_spare_kernel_that_ended_is_not_handed_out(at_once):
    kernels = Kernels()
    made, _ = started(kernels, "labs")
    kernels.clear()
    assert asyncio.run(made.start_kernel(kernel_name="python3", path="labs", env=pages.PAGE)) in kernels


def test_notebooks_have_kernels_as_before(at_once):
    kernels = Kernels()
    started(kernels, "labs", "labs", env={})
    assert len(kernels) == 2 and not any("extra_arguments" in each for each in kernels.values())


# ---- as shipped ------------------------------------------------------------------------------------------------------


@pytest.fixture
def labs(tmp_path, monkeypatch):
    """Two labs in a folder that is no checkout."""
    monkeypatch.setenv("GIT_CEILING_DIRECTORIES", str(tmp_path))
    folder = tmp_path / "labs"
    folder.mkdir()
    for name in ("05-a.ipynb", "06-b.ipynb"):
        (folder / name).write_text(f"shipped {name}", encoding="utf-8")
    return folder


def test_a_spoilt_and_a_deleted_lab_come_back_and_the_rest_stays(labs, tmp_path):
    kept = tmp_path / "kept"
    shipped.keep(labs, kept)
    (labs / "05-a.ipynb").write_text("spoilt", encoding="utf-8")
    (labs / "06-b.ipynb").unlink()
    (labs / "mine.ipynb").write_text("mine", encoding="utf-8")
    shipped.keep(labs, kept)  # what is spoilt is not kept in the place of what was shipped
    assert shipped.restore(labs, kept) == ["05-a.ipynb", "06-b.ipynb"]
    assert {file.name: file.read_text(encoding="utf-8") for file in labs.iterdir()} == {
        "05-a.ipynb": "shipped 05-a.ipynb",
        "06-b.ipynb": "shipped 06-b.ipynb",
        "mine.ipynb": "mine",
    }
    assert shipped.restore(labs, kept) == []
    assert "nothing had to be" in shipped.said([])


def test_where_git_is_it_has_them(labs, tmp_path, monkeypatch):
    monkeypatch.delenv("GIT_CEILING_DIRECTORIES")

    def git(*arguments):
        subprocess.run(["git", "-c", "user.name=a", "-c", "user.email=a@b", *arguments], cwd=labs.parent, check=True)

    git("init", "-q")
    git("add", "labs")
    git("commit", "-q", "-m", "labs")
    (labs / "05-a.ipynb").write_text("spoilt", encoding="utf-8")
    assert shipped.restore(labs, tmp_path / "none") == ["05-a.ipynb"]
    assert (labs / "05-a.ipynb").read_text(encoding="utf-8") == "shipped 05-a.ipynb"


def test_without_a_copy_it_is_said(labs, tmp_path):
    with pytest.raises(GainlibError, match="no copy of the labs as they were shipped"):
        shipped.restore(labs, tmp_path / "none")


def test_the_button_asks_first(labs, tmp_path, monkeypatch):
    from gainlib.notebook.index import RestorePanel

    done = []
    monkeypatch.setattr(shipped, "restore", lambda: done.append("restored") or ["05-a.ipynb"])
    panel = RestorePanel()
    panel.bring.click()
    panel.question.no.click()
    assert done == [] and panel.said.text == ""
    panel.bring.click()
    panel.question.yes.click()
    assert done == ["restored"] and "05-a.ipynb" in panel.said.text
