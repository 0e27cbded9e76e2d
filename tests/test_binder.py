"""Binder, dev container and link: they open on the index, on the same packages."""

import json
import os
import re
import subprocess
import urllib.parse
import urllib.request

import pytest
from labhand import LABS

ROOT = LABS.parent
BINDER = ROOT / "binder"
PAGE = "/voila/render/labs/index.ipynb"
STUB = """#!/bin/sh
case "$1" in -c) echo "$PREFIX" ;; binder/prepare.py) : > "$PREFIX/prepared" ;; *) exit 1 ;; esac
"""


@pytest.mark.skipif(os.name == "nt", reason="Binder and its scripts run on Linux")
def test_whichever_command_starts_jupyter_it_opens_the_index(tmp_path):
    (tmp_path / "python").write_text(STUB)
    (tmp_path / "python").chmod(0o755)
    environment = os.environ | {"PATH": f"{tmp_path}:{os.environ['PATH']}", "PREFIX": str(tmp_path)}
    subprocess.run(["bash", str(BINDER / "postBuild")], cwd=ROOT, env=environment, check=True)
    found = {path.name: json.loads(path.read_text()) for path in tmp_path.rglob("*.json")}
    server = found["gainlib.json"]["ServerApp"]
    assert server["jpserver_extensions"] == {"gainlib.notebook.pages": True} and (tmp_path / "prepared").exists()
    apps = [server, found["jupyter_lab_config.json"]["LabApp"]]
    apps.append(found["jupyter_notebook_config.json"]["JupyterNotebookApp"])
    assert [app["default_url"] for app in apps] == [PAGE] * 3 and (LABS / "index.ipynb").is_file()


def test_the_link_of_the_readme_leads_to_the_index():
    links = re.findall(r"https://mybinder\S+", (ROOT / "README.md").read_text(encoding="utf-8"))
    assert len(links) == 1, "the address stands in one place"
    asked = urllib.parse.parse_qs(urllib.parse.urlsplit(links[0]).query)
    assert asked == {"urlpath": [PAGE.lstrip("/")]}


def test_a_dev_container_is_set_up_as_binder_is():
    told = json.loads((ROOT / ".devcontainer" / "devcontainer.json").read_text(encoding="utf-8"))
    image = (ROOT / ".devcontainer" / told["build"]["dockerfile"]).read_text(encoding="utf-8")
    version = (BINDER / "runtime.txt").read_text(encoding="utf-8").strip().removeprefix("python-")
    assert f"FROM python:{version}-" in image
    assert told["postCreateCommand"] == "pip install -r binder/requirements.txt && bash binder/postBuild"
