"""Servers and kernels of a class as forks of one process that has read everything: they share most of their memory.

``forked.py SOCKET`` reads what a server and a kernel need, once, and then forks whenever it is asked over the socket.
Everybody may ask: a fork is its asker's own before it reads a word. Only the superuser, which the hub is, may
have it be another account. Nothing is written to what is shared, but in copies of a process's own.
"""

import asyncio
import gc
import importlib
import json
import os
import pwd
import signal
import socket
import struct
import sys
import tempfile
import threading
import time
from contextlib import suppress

SOCKET = os.environ.get("WORKBOOK_FORKS", "/run/workbook/forks")
READ = ("ipykernel.kernelapp", "jupyterhub.singleuser", "jupyterlab.labapp", "jupyter_server_terminals")
READ += ("voila.server_extension", "gainlib.notebook.pages")
KEPT = ("PATH", "LANG", "PYTHONPATH")
# How memory is had is settled when a process begins: freed memory goes back to the system, which has it for the others.
SETTINGS = {"MALLOC_ARENA_MAX": "2", "MALLOC_MMAP_THRESHOLD_": "8000000", "OPENBLAS_NUM_THREADS": "1"}


# ---- the process that forks ------------------------------------------------------------------------------------------


def read_all():
    """Import what a server and the kernel of a page import."""
    for name in READ:
        importlib.import_module(name)
    import ipywidgets

    from gainlib.exercises import bank
    from gainlib.notebook import Lab, pages

    pages.read_ahead()
    with tempfile.TemporaryDirectory() as folder:  # what the largest lab works out for everybody alike
        Lab("05", folder=folder).panel("bus")
    ipywidgets.Widget.close_all()  # else every page would be told of them
    for exercise in bank():
        if exercise.lab == "05":
            exercise.variant("nobody")


def serve(path):
    """Fork whenever somebody connects; return the connection in the fork."""
    os.makedirs(os.path.dirname(path), mode=0o755, exist_ok=True)
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)  # none is waited for, and none stays as a zombie
    signal.signal(signal.SIGHUP, lambda *_: os.execv(sys.executable, [sys.executable, *sys.argv]))  # there is new code
    with open(f"{path}.pid", "w") as file:
        file.write(str(os.getpid()))
    with socket.socket(socket.AF_UNIX) as listening:
        new = f"{path}.{os.getpid()}"
        with suppress(FileNotFoundError):
            os.unlink(new)
        listening.bind(new)
        os.chmod(new, 0o666)
        listening.listen(100)
        os.replace(new, path)
        gc.collect()
        gc.freeze()
        while True:
            connection, _ = listening.accept()
            if os.fork() == 0:
                for number in (signal.SIGCHLD, signal.SIGHUP):
                    signal.signal(number, signal.SIG_DFL)
                return connection
            connection.close()


def become(account):
    """Be an account, for good."""
    os.setsid()
    if os.geteuid() == 0:
        os.initgroups(account.pw_name, account.pw_gid)
        os.setgid(account.pw_gid)
        os.setuid(account.pw_uid)


def begin(connection):
    """Be the server or the kernel that is asked for."""
    _, asker, _ = struct.unpack("3i", connection.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, 12))
    with open("/proc/self/comm", "w") as name:
        name.write("hub-kernel" if asker else "hub-server")
    if asker:
        become(pwd.getpwuid(asker))
    asked = json.loads(connection.makefile("rb").readline())
    if not asker:
        become(pwd.getpwnam(asked["account"]))
    os.environ.clear()
    os.environ.update(asked["environment"])
    os.chdir(asked["folder"])
    sys.argv = asked["command"]
    connection.sendall(f"{os.getpid()}\n".encode())
    if asked["account"]:
        connection.close()
        be_server()
    else:
        threading.Thread(target=end_with, args=(connection,), daemon=True).start()
        be_kernel()


def be_server():
    """Serve one learner; kernels are forks as well."""
    import jupyterhub.singleuser
    from jupyter_client.provisioning import local_provisioner

    usual = local_provisioner.launch_kernel

    def launch(command, **options):
        with suppress(OSError):  # nobody forks just now
            if command[1:3] == ["-m", "ipykernel_launcher"]:
                return Kernel(command, **options)
        return usual(command, **options)

    local_provisioner.launch_kernel = launch
    jupyterhub.singleuser.main()


def be_kernel():
    """Run one notebook."""
    from ipykernel import kernelapp

    kernelapp.launch_new_instance()


def end_with(connection):
    """End when the server that asked for this kernel has ended."""
    connection.recv(1)
    os._exit(1)


# ---- who asks --------------------------------------------------------------------------------------------------------


def request(account, command, environment, folder):
    """Return what asks for a fork."""
    asked = {"account": account, "command": list(command), "environment": dict(environment), "folder": str(folder)}
    return (json.dumps(asked) + "\n").encode()


class Kernel:
    """A kernel that was forked, as a ``subprocess.Popen`` shows it."""

    stdin = stdout = stderr = None

    def __init__(self, command, env=None, cwd=None, **_):
        environment = (os.environ if env is None else env) | {"JPY_PARENT_PID": str(os.getpid())}
        self._connection = socket.socket(socket.AF_UNIX)  # open as long as this server is there
        self._connection.connect(SOCKET)
        self._connection.sendall(request("", command[2:], environment, cwd or os.getcwd()))
        self.pid = int(self._connection.makefile("rb").readline())

    def poll(self):
        """Return None as long as it runs."""
        try:
            self.send_signal(0)
        except OSError:
            self._connection.close()
            return 0
        return None

    def wait(self, timeout=None):
        """Wait for its end."""
        while self.poll() is None:
            time.sleep(0.05)
        return 0

    def send_signal(self, number):
        """Send it a signal."""
        os.kill(self.pid, number)

    def terminate(self):
        """Ask it to end."""
        self.send_signal(signal.SIGTERM)

    def kill(self):
        """End it."""
        self.send_signal(signal.SIGKILL)


async def fork_server(account, command, environment, patience_s=60.0):
    """Ask for a server of an account; return the number of its process, or None where nobody answers in time."""
    for _ in range(int(patience_s / 0.25)):
        try:
            reader, writer = await asyncio.open_unix_connection(SOCKET)
            break
        except OSError:  # it is still reading
            await asyncio.sleep(0.25)
    else:
        return None
    writer.write(request(account, command, environment, pwd.getpwnam(account).pw_dir))
    number = int(await reader.readline())
    writer.close()
    return number


def main():
    """Read, fork, and be what is asked for."""
    path = sys.argv[1]
    if any(os.environ.get(name) != value for name, value in SETTINGS.items()):
        # A fork shows the variables that this process began with: none of the hub's may be among them.
        environment = {name: os.environ[name] for name in KEPT if name in os.environ} | SETTINGS
        os.execve(sys.executable, [sys.executable, *sys.argv], environment | {"WORKBOOK_FORKS": path})
    sys.path.pop(0)
    read_all()
    begin(serve(path))


if __name__ == "__main__":
    main()
