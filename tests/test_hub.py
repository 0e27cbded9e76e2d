"""What a hub is made of; a class on a real one is in tests/benchmarks/hub.py."""

import os
import re
import stat
import subprocess
import sys

import pytest
from labhand import LABS
from traitlets.config import Config

ROOT = LABS.parent
HUB = ROOT / "binder" / "hub"
sys.path.insert(0, str(HUB))
import accounts  # noqa: E402


def test_the_course_is_shared_and_what_a_learner_writes_is_at_home(monkeypatch, tmp_path):
    monkeypatch.setenv("WORKBOOK_STATE", str(tmp_path))
    monkeypatch.setenv("WORKBOOK_HAND_IN", str(tmp_path))
    c = Config()
    code = compile((HUB / "jupyterhub_config.py").read_text(encoding="utf-8"), HUB / "jupyterhub_config.py", "exec")
    exec(code, {"get_config": lambda: c, "__file__": str(HUB / "jupyterhub_config.py")})
    assert c.Spawner.notebook_dir == str(ROOT) and (LABS / c.Spawner.default_url.rpartition("/")[2]).is_file()
    assert "--KernelManager.transport=ipc" in c.Spawner.args and c.Authenticator.blocked_users == {"root"}
    assert c.JupyterHub.db_url == f"sqlite:///{tmp_path}/jupyterhub.sqlite"
    who = type("Spawner", (), {"user": type("User", (), {"name": "x" * 30})})
    place = c.Spawner.environment["JUPYTER_RUNTIME_DIR"](who).replace("~", "/home/")
    assert len(f"{place}/kernel-{'0' * 36}-ipc-5") < 104, "the longest name of a socket"
    assert c.Spawner.environment["GAINLIB_HAND_IN"] == str(tmp_path)
    assert any("jupyterhub_idle_culler" in each["command"] for each in c.JupyterHub.services)


def test_a_hub_starts_with_a_letter_box_for_what_is_handed_in(tmp_path):
    for name in ("python", "groupadd", "usermod", "chown", "jupyterhub"):
        (tmp_path / name).write_text(f'#!/bin/sh\necho "{name} $*" >> {tmp_path}/log\n')
        (tmp_path / name).chmod(0o755)
    place = {"WORKBOOK_STATE": str(tmp_path / "state"), "WORKBOOK_HAND_IN": str(tmp_path / "box")}
    environment = os.environ | place | {"PATH": f"{tmp_path}:{os.environ['PATH']}", "WORKBOOK_ADMINS": "mara"}
    subprocess.run(["bash", str(HUB / "start.sh")], env=environment, check=True)
    assert stat.S_IMODE((tmp_path / "box").stat().st_mode) == 0o3773
    log = (tmp_path / "log").read_text().splitlines()
    assert log[1:4] == ["groupadd -f teachers", "usermod -a -G teachers mara", f"chown root:teachers {tmp_path}/box"]
    assert log[-1].startswith("jupyterhub")


def test_the_image_is_binders_with_a_hub_on_top():
    image = (HUB / "Dockerfile").read_text(encoding="utf-8")
    version = (ROOT / "binder" / "runtime.txt").read_text(encoding="utf-8").strip().removeprefix("python-")
    assert re.search(rf"(?m)^FROM python:{re.escape(version)}-", image)
    for part in ("-r binder/requirements.txt", "-r binder/hub/requirements.txt", "bash binder/postBuild", "start.sh"):
        assert part in image

    def pins(name):
        return dict(re.findall(r"(?m)^([\w.-]+)==(\S+)", (ROOT / "binder" / name).read_text(encoding="utf-8")))

    run, hub = pins("requirements.txt"), pins("hub/requirements.txt")
    assert hub["jupyterhub"] and {name: hub[name] for name in run.keys() & hub.keys() if run[name] != hub[name]} == {}


def test_accounts_of_a_list(tmp_path, monkeypatch):
    assert accounts.names_of("anna\n# a remark\nben-2  # beside the window\n\nanna\n") == ["anna", "ben-2"]
    with pytest.raises(SystemExit, match="Line 2 of the list is 'Émilie'; an account is up to 30"):
        accounts.names_of("anna\nÉmilie\n")
    made = []
    monkeypatch.setattr(accounts, "make", lambda *account: made.append(account))
    (tmp_path / "class.txt").write_text("anna\nben\n")
    file = tmp_path / "passwords.csv"
    assert accounts.main([str(tmp_path / "class.txt"), str(file)]) == 0
    first = accounts.passwords_of(file)
    (tmp_path / "class.txt").write_text("anna\ncleo\n")
    accounts.main([str(tmp_path / "class.txt"), str(file)])
    assert accounts.passwords_of(file).items() > first.items() and made[-2] == ("anna", first["anna"])
    assert stat.S_IMODE(file.stat().st_mode) == 0o600 and len(set(accounts.passwords_of(file).values())) == 3
