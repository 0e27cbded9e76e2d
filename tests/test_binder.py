"""Binder, dev container and link: they open on the index, on the same packages; the build itself with --all."""

import getpass
import json
import os
import re
import signal
import subprocess
import sys
import sysconfig
import time
import urllib.parse
import urllib.request

import pytest
from daily import rest
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


@pytest.mark.skipif(os.name == "nt", reason="Binder and its scripts run on Linux")
@pytest.mark.parametrize("who", [rest("an ordinary user")])
def test_it_builds_and_opens_in_a_clean_home(tmp_path, who):
    """The packages are those of this environment, which are not installed again."""
    for folder in (tmp_path, *tmp_path.parents[:2]):
        folder.chmod(0o755)
    log, packages = tmp_path / "log", sysconfig.get_path("purelib")
    command = ["bash", str(BINDER / "as_binder.sh"), str(tmp_path / "clean"), packages]
    environment = os.environ | {"PYTHON": getattr(sys, "_base_executable", sys.executable)}
    with log.open("w") as stream:
        process = subprocess.Popen(command, stdout=stream, stderr=stream, env=environment, start_new_session=True)
    try:
        for _ in range(600):
            found = re.search(rf"http://127\.0\.0\.1:\d+{PAGE}", log.read_text())
            if found or process.poll() is not None:
                break
            time.sleep(0.5)
        assert found, log.read_text()
        with urllib.request.urlopen(f"{found[0]}?token=workbook", timeout=120) as answer:
            assert "Levels from microphone to master" in answer.read().decode()
        owner = (tmp_path / "clean" / "home" / "jovyan" / "labs").owner() if getpass.getuser() != "root" else "1000"
        assert owner != "root"
    finally:
        os.killpg(process.pid, signal.SIGTERM)
        process.wait(60)
