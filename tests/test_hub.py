"""What a hub is made of; a class on a real one is in tests/benchmarks/hub.py."""

import os
import re
import shutil
import signal
import socket
import stat
import subprocess
import sys
import time

import pytest
from labhand import LABS
from traitlets.config import Config

ROOT = LABS.parent
HUB = ROOT / "binder" / "hub"
sys.path.insert(0, str(HUB))
import accounts  # noqa: E402
import forked  # noqa: E402


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
    assert [each["name"] for each in c.JupyterHub.services] == ["culler", "forks"]
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


FORK = """
import os, pathlib, sys
sys.path.insert(0, {hub!r})
import forked
forked.read_all = lambda: None
forked.be_server = forked.be_kernel = lambda: pathlib.Path(sys.argv[0]).write_text(
    f"{{os.getuid()}} {{os.environ}} {{os.getcwd()}}"
)
forked.main()
"""


def asked(path, target, account, uid):
    """Ask for a fork as somebody; return who it was and what else it said of itself."""
    asker = os.fork()
    if not asker:
        try:  # whatever happens, this process must not go on with the tests
            if os.geteuid() == 0:
                os.setuid(uid)
            with socket.socket(socket.AF_UNIX) as connection:
                connection.connect(str(path))
                connection.sendall(forked.request(account, [str(target)], {"HOME": "x"}, "/"))
                connection.recv(9)
                connection.recv(1)
        finally:
            os._exit(0)
    deadline = time.monotonic() + 20
    while not target.exists() or not target.read_text():
        assert time.monotonic() < deadline
        time.sleep(0.02)
    os.waitpid(asker, 0)
    return target.read_text().split(" ", 1)


@pytest.mark.skipif(os.name == "nt", reason="a hub runs on Linux")
def test_a_fork_is_its_askers_own_whatever_account_is_named(entered_folder):
    told, path = entered_folder / "told", entered_folder / "forks" / "socket"
    told.mkdir()
    told.chmod(0o777)
    code = entered_folder / "forking.py"
    code.write_text(FORK.format(hub=str(HUB)))
    secret = os.environ | {"JUPYTERHUB_API_TOKEN": "secret"}
    forks = subprocess.Popen([sys.executable, str(code), str(path)], env=secret)
    try:
        deadline = time.monotonic() + 30
        while not path.exists():
            assert forks.poll() is None and time.monotonic() < deadline
            time.sleep(0.02)
        nobody = 65534 if os.geteuid() == 0 else os.geteuid()
        who, rest = asked(path, told / "hostile", "root", nobody)
        assert int(who) == nobody and "secret" not in rest and "{'HOME': 'x'}" in rest and rest.endswith(" /")
        assert int(asked(path, told / "kernel", "", nobody)[0]) == nobody
        if os.geteuid() == 0:
            assert int(asked(path, told / "server", "nobody", 0)[0]) == nobody, "the hub may name an account"
        before = path.stat().st_mtime_ns
        os.kill(int((entered_folder / "forks" / "socket.pid").read_text()), signal.SIGHUP)
        while not path.exists() or path.stat().st_mtime_ns == before:
            assert forks.poll() is None and time.monotonic() < deadline
            time.sleep(0.02)
        assert int(asked(path, told / "again", "", nobody)[0]) == nobody, "it begins anew with new code"
    finally:
        forks.terminate()
        forks.wait()


def git(*arguments, at):
    who = ("-c", "user.name=t", "-c", "user.email=t", "-c", "commit.gpgsign=false")
    return subprocess.run(["git", *who, *arguments], cwd=at, check=True, capture_output=True, text=True).stdout


@pytest.mark.skipif(os.name == "nt", reason="a hub runs on Linux")
def test_an_update_pulls_installs_and_makes_up_for_one_that_was_cut_off(tmp_path):
    ours, course, log = tmp_path / "ours", tmp_path / "course", tmp_path / "log"
    git("init", "--quiet", "--bare", "--initial-branch=main", "bare.git", at=tmp_path)
    git("clone", "--quiet", "bare.git", "ours", at=tmp_path)
    (ours / "binder" / "hub").mkdir(parents=True)
    shutil.copy(HUB / "update.sh", ours / "binder" / "hub")
    (ours / "binder" / "postBuild").write_text(f"echo prepared >> {log}\n")
    for number, packages in enumerate(("one==1", "one==1", "one==2")):
        (ours / "binder" / "requirements.txt").write_text(packages)
        (ours / "lab.ipynb").write_text(f"version {number}")
        git("add", "--all", at=ours)
        git("commit", "--quiet", "--message", f"version {number}", at=ours)
        if not number:
            git("push", "--quiet", "origin", "HEAD:main", at=ours)
            git("clone", "--quiet", "bare.git", "course", at=tmp_path)
    (tmp_path / "bin").mkdir()
    python = tmp_path / "bin" / "python"
    python.write_text(f'#!/bin/sh\necho "$*" >> {log}; exit $(cat {tmp_path}/fails)\n')
    python.chmod(0o755)
    record = tmp_path / "home" / "record.jsonl"
    record.parent.mkdir()
    record.write_bytes(b"what a learner did\n")
    environment = os.environ | {"PATH": f"{python.parent}:{os.environ['PATH']}", "WORKBOOK_FORKS": str(tmp_path / "f")}

    def update(commit, fails=0):
        git("push", "--quiet", "origin", f"{commit}:main", at=ours)
        (tmp_path / "fails").write_text(str(fails))
        log.write_text("")
        ended = subprocess.run(["bash", "binder/hub/update.sh"], cwd=course, env=environment, capture_output=True)
        return ended.returncode, log.read_text().splitlines(), (course / "lab.ipynb").read_text()

    assert update("HEAD~1") == (0, ["prepared"], "version 1"), "the same packages are not installed again"
    code, done, version = update("HEAD", fails=1)
    assert (code, version) == (1, "version 2") and "prepared" not in done
    code, done, version = update("HEAD")
    assert code == 0 and done[0].startswith("-m pip install") and done[1:] == ["prepared"]
    (course / "lab.ipynb").write_text("changed by the teacher")
    (ours / "lab.ipynb").write_text("version 3")
    git("commit", "--quiet", "--all", "--message", "version 3", at=ours)
    code, done, version = update("HEAD")
    assert code and done == [] and version == "changed by the teacher", "nothing is written over"
    assert record.read_bytes() == b"what a learner did\n"


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
