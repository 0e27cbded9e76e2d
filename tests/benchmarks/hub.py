"""A class on a real hub: everybody opens lab 05 at the same moment; time, memory and processor time a learner.

    sudo VENV/bin/python tests/benchmarks/hub.py --learners 20

VENV is an environment with binder/requirements.txt, binder/hub/requirements.txt and the workbook; the proxy
(configurable-http-proxy) is on the PATH. It makes accounts and removes them again, so it needs the superuser's rights.
Hub, proxy, servers, kernels and their messages are real; in place of a browser a client runs the cells of a page in
order, as page.js does, and waits for the last reply. One learner is hostile and tries to read what others wrote.
"""

import argparse
import asyncio
import html
import json
import os
import pwd
import re
import secrets
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import uuid
from pathlib import Path

import psutil
from tornado.httpclient import AsyncHTTPClient, HTTPClientError, HTTPRequest
from tornado.websocket import websocket_connect

ROOT = Path(__file__).parents[2]
HUB, PORT = "http://127.0.0.1", 18000
HOSTILE = """
import glob, os, pathlib
found = []
for home in {homes!r}:
    for pattern in ("/.local/share/gainlib/**/*", "/.run/*", "/.jupyter/**/*"):
        found += glob.glob(home + pattern, recursive=True)
    try:
        found += os.listdir(home)
    except OSError:
        pass
for pid in filter(str.isdigit, os.listdir("/proc")):
    try:
        foreign = os.stat("/proc/" + pid).st_uid != os.getuid()
        if foreign and pathlib.Path("/proc", pid, "environ").read_bytes():
            found.append("environment of " + pid)
    except OSError:
        pass
try:
    pathlib.Path("spoilt").write_text("x")
    found.append("wrote into the course")
except OSError:
    pass
print("FOUND", found)
"""


class Client:
    """One learner's browser, without its looks."""

    def __init__(self, name, token):
        self.name, self.token, self.base = name, token, f"/user/{name}/"
        self.kernel = self.socket = None

    async def get(self, path, **options):
        return await fetch(f"{HUB}:{PORT}{path}", self.token, **options)

    async def page(self, notebook):
        """Open a page, run its cells in order, and leave it open; return (text after, first panel, all, outputs)."""
        begun, first, outputs = time.monotonic(), None, []
        text = (await self.get(f"{self.base}voila/render/labs/{notebook}", request_timeout=300)).body.decode()
        read = time.monotonic() - begun
        config = re.search(r'<script id="jupyter-config-data"[^>]*>(.*?)</script>', text, re.S)[1]
        kernel = json.loads(config)["kernelId"]
        cells = [html.unescape(code) for code in re.findall(r'data-code="(.*?)"', text, re.S)]
        self.kernel, self.socket = kernel, await self.channels(kernel)
        for code in cells:
            said = await self.run(code)
            outputs += said
            if first is None and "panel" in code:
                first = time.monotonic() - begun
        return read, first, time.monotonic() - begun, outputs

    async def channels(self, kernel):
        url = f"ws://127.0.0.1:{PORT}{self.base}api/kernels/{kernel}/channels"
        request = HTTPRequest(
            url, headers={"Authorization": f"token {self.token}"}, connect_timeout=300, request_timeout=300
        )
        return await websocket_connect(request, max_message_size=2**30, ping_interval=20)

    async def run(self, code):
        message = uuid.uuid4().hex
        header = {
            "msg_id": message,
            "msg_type": "execute_request",
            "username": "",
            "session": message,
            "version": "5.3",
        }
        content = {"code": code, "silent": False, "store_history": False, "allow_stdin": False, "stop_on_error": False}
        whole = {"header": header, "parent_header": {}, "metadata": {}, "content": content, "channel": "shell"}
        await self.socket.write_message(json.dumps(whole | {"buffers": []}))
        said, replied, idle = [], False, False  # they come on two channels, in either order
        while True:
            received = await self.socket.read_message()
            if received is None:
                raise RuntimeError(f"{self.name}: the kernel is gone")
            if isinstance(received, bytes):
                continue  # pictures
            each = json.loads(received)
            if (each.get("parent_header") or {}).get("msg_id") != message:
                continue
            kind, content = each["header"]["msg_type"], each["content"]
            if kind == "error":
                said.append(f"{content['ename']}: {content['evalue']}")
            if kind == "stream":
                said.append(content["text"])
            replied |= kind == "execute_reply"
            idle |= kind == "status" and content["execution_state"] == "idle"
            if replied and idle:
                return said


async def fetch(url, token, **options):
    headers = {"Authorization": f"token {token}"}
    return await AsyncHTTPClient().fetch(HTTPRequest(url, headers=headers, connect_timeout=300, **options))


async def api(token, path, method="GET", **body):
    options = {"body": json.dumps(body)} if method == "POST" else {}
    answer = await fetch(f"{HUB}:{PORT}/hub/api/{path}", token, method=method, request_timeout=300, **options)
    return json.loads(answer.body or b"null")


async def started(token, name):
    """Log a learner in, start their server, and return their browser."""
    await api(token, f"users/{name}/server", "POST")
    while not (await api(token, f"users/{name}"))["servers"].get("", {}).get("ready"):
        await asyncio.sleep(0.25)
    return Client(name, (await api(token, f"users/{name}/tokens", "POST"))["token"])


def shares(names):
    """Return, by kind of process, count, and for each the memory of its own and its part of what is shared, in MB."""
    users, found = {pwd.getpwnam(name).pw_uid for name in names}, {}
    for process in psutil.process_iter(["uids", "name"]):
        try:
            if process.info["uids"].real in users:
                memory, times = process.memory_full_info(), process.cpu_times()
                found.setdefault(process.info["name"].removeprefix("hub-"), []).append(
                    (memory.uss, memory.pss, times.user + times.system)
                )
        except psutil.Error:
            continue
    return found


def told(label, found, learners):
    total = sum(pss for each in found.values() for _, pss, _ in each) / 1e6
    parts = [
        f"{len(each)} {kind}s of {sum(uss for uss, *_ in each) / len(each) / 1e6:.0f} MB of their own, "
        f"{sum(pss for _, pss, _ in each) / len(each) / 1e6:.0f} with their share, "
        f"{sum(cpu for *_, cpu in each) / len(each):.1f} s of processor"
        for kind, each in sorted(found.items())
    ]
    print(f"{label}: {'; '.join(parts)}; {total / learners:.0f} MB a learner", flush=True)


async def lesson(token, names, notebook, course, rounds):
    available = psutil.virtual_memory().available
    begun = time.monotonic()
    clients = await asyncio.gather(*(started(token, name) for name in names))
    print(f"servers up: {time.monotonic() - begun:.1f} s", flush=True)
    await asyncio.sleep(5)
    told("servers", shares(names), len(names))
    for number in range(rounds):
        round_ = "opened again" if number else "first opening"
        results = await asyncio.gather(*(client.page(notebook) for client in clients))
        for name, figures in zip(("text", "first panel", "all panels"), zip(*results, strict=True), strict=False):
            print(f"{round_}: {name} {min(figures):.1f} to {max(figures):.1f} s", flush=True)
        wrong = [said for *_, outputs in results for said in outputs]
        print(f"{round_}: {len(wrong)} cells said something{': ' + wrong[0][:200] if wrong else ''}", flush=True)
        told(round_, shares(names), len(names))
        print(
            f"memory that went: {(available - psutil.virtual_memory().available) / 1e6 / len(names):.0f} MB a learner"
        )
        if number < rounds - 1:
            for client in clients:
                client.socket.close()
                await client.get(f"{client.base}api/kernels/{client.kernel}", method="DELETE")
            await asyncio.sleep(3)
    await hostile(clients, course)
    return clients


async def hostile(clients, course):
    last, others = clients[-1], clients[:-1]
    homes = [pwd.getpwnam(each.name).pw_dir for each in others]
    records = [Path(home, ".local/share/gainlib/records/record.jsonl") for home in homes]
    assert all(record.is_file() for record in records), "every learner has a record at home"
    said = "".join(await last.run(HOSTILE.format(homes=homes)))
    assert said.strip() == "FOUND []", said
    for path in (f"{others[0].base}api/contents", f"{others[0].base}api/kernels", f"/hub/api/users/{others[0].name}"):
        try:
            await last.get(path)
        except HTTPClientError as refused:
            assert refused.code in (403, 404), refused
        else:
            raise AssertionError(f"{path} was given to another learner")
    assert not (course / "records").exists() and not (course / "labs" / "spoilt").exists()
    print("the hostile learner found nothing of the others'", flush=True)


def accounts(count, prefix="gl-learner-"):
    names = [f"{prefix}{number:02d}" for number in range(1, count + 1)]
    for name in names:
        subprocess.run(["useradd", "-m", "-K", "HOME_MODE=0700", "-s", "/bin/bash", name], check=True)
    return names


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--learners", type=int, default=20)
    parser.add_argument("--lab", default="05-mix-bus")
    parser.add_argument("--course", type=Path, default=ROOT, help="the course folder; no learner may write to it")
    parser.add_argument("--rounds", type=int, default=2, help="how often each opens the lab")
    chosen = parser.parse_args()
    state, token, names = Path(tempfile.mkdtemp()), secrets.token_hex(16), []
    config = state / "config.py"
    config.write_text(
        f"load_subconfig({str(ROOT / 'binder/hub/jupyterhub_config.py')!r})\n"
        f"c.JupyterHub.bind_url = 'http://127.0.0.1:{PORT}'\n"
        f"c.JupyterHub.hub_port, c.ConfigurableHTTPProxy.api_url = {PORT + 1}, 'http://127.0.0.1:{PORT + 2}'\n"
        f"c.JupyterHub.services.append({{'name': 'lesson', 'api_token': {token!r}}})\n"
        "c.JupyterHub.load_roles.append({'name': 'lesson', 'services': ['lesson'], 'scopes':"
        " ['admin:users', 'admin:servers', 'tokens', 'access:servers']})\n"
    )
    environment = os.environ | {"WORKBOOK": str(chosen.course), "WORKBOOK_STATE": str(state)}
    environment["WORKBOOK_FORKS"] = f"/run/workbook-{os.getpid()}/forks"
    environment["PATH"] = f"{Path(sys.executable).parent}{os.pathsep}{environment['PATH']}"
    try:
        names = accounts(chosen.learners)
        with (state / "log").open("w") as log:
            command = [sys.executable, "-m", "jupyterhub", "-f", str(config)]
            hub = subprocess.Popen(command, env=environment, cwd=state, stdout=log, stderr=log, start_new_session=True)
        asyncio.run(_run(hub, token, names, f"{chosen.lab}.ipynb", chosen, state))
    finally:
        os.killpg(hub.pid, signal.SIGTERM)  # with its proxy
        hub.wait(60)
        for name in names:
            # The accounts were made here and are nobody else's.
            subprocess.run(["userdel", "-r", "-f", name], check=False, capture_output=True)
        shutil.copy(state / "log", tempfile.gettempdir() + "/workbook-hub.log")
        shutil.rmtree(state)
        shutil.rmtree(Path(environment["WORKBOOK_FORKS"]).parent, ignore_errors=True)


async def _run(hub, token, names, notebook, chosen, state):
    AsyncHTTPClient.configure(None, max_clients=200, max_body_size=2**30)
    for _ in range(300):
        try:
            await api(token, "")
            break
        except (OSError, HTTPClientError):  # the proxy is there before the hub
            assert hub.poll() is None, (state / "log").read_text()
            await asyncio.sleep(0.2)
    await asyncio.gather(*(api(token, f"users/{name}", "POST") for name in names))
    clients = await lesson(token, names, notebook, chosen.course, chosen.rounds)
    await asyncio.gather(*(api(token, f"users/{client.name}/server", "DELETE") for client in clients))


if __name__ == "__main__":
    main()
