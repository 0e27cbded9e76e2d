"""Once it is set up, everything goes on without a network: tests run again where there is none."""

import os
import shutil
import subprocess
import sys

import pytest
from daily import rest
from labhand import LABS

ALONE = ["unshare", "--map-root-user", "--net", "sh", "-c", 'ip link set lo up && exec "$@"', "sh"]
# A machine of its own with nothing but itself; where the system does not grant one, no name is found and no address
# but its own is reached by these tests themselves.
REFUSE = """
import socket
found, connect = socket.getaddrinfo, socket.socket.connect
def known(host, *rest, **more):
    if host not in (None, "", "localhost", "127.0.0.1", "::1", "0.0.0.0"):
        raise socket.gaierror(f"no network: {host}")
    return found(host, *rest, **more)
def near(self, address):
    if self.family != getattr(socket, "AF_UNIX", None) and address[0] not in ("localhost", "127.0.0.1", "::1"):
        raise OSError(f"no network: {address}")
    return connect(self, address)
socket.getaddrinfo, socket.socket.connect = known, near
"""
SHOWS = "import socket; socket.create_connection(('192.0.2.1', 80), timeout=5)"


def alone(folder, *command, **environment):
    """Run Python where no other machine can be reached."""
    (folder / "sitecustomize.py").write_text(REFUSE)
    path = os.pathsep.join(filter(None, [str(folder), os.environ.get("PYTHONPATH")]))
    able = (
        shutil.which("unshare") and subprocess.run([*ALONE, "true"], capture_output=True, check=False).returncode == 0
    )
    environment = os.environ | ({} if able else {"PYTHONPATH": path}) | environment
    whole = [*(ALONE if able else []), sys.executable, *command]
    return subprocess.run(whole, cwd=LABS.parent, env=environment, capture_output=True, text=True, check=False)


@pytest.mark.parametrize(
    "tests",
    [
        ("test_pages.py", "-k", "formula_in_one_line"),
        rest(("test_pages.py",)),  # text and formulas
        rest(("test_pages_browser.py", "test_index_browser.py")),  # labs and fonts
        rest(("test_gradebook.py", "test_printed.py", "test_handouts.py")),  # marks and hand-outs
        rest(("test_labs_headless.py",)),
    ],
    ids=["formulas", "texts", "pages", "marks", "labs"],
)
def test_without_a_network(tmp_path, tests):
    assert alone(tmp_path, "-c", SHOWS).returncode != 0, "this machine is reached by nobody"
    names = [f"tests/{word}" if word.endswith(".py") else word for word in tests]
    ran = alone(tmp_path, "-m", "pytest", "-q", "-p", "no:cacheprovider", *names)
    assert ran.returncode == 0 and " passed" in ran.stdout, ran.stdout[-3000:] + ran.stderr[-1000:]
