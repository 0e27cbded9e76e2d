"""One JupyterHub for a class: the course folder is shared and read only, each learner's record lies in their own home.

Read by ``jupyterhub -f binder/hub/jupyterhub_config.py``; ADMIN.md beside it says what an admin does and measures.
Variables: ``WORKBOOK`` names the course folder (else the one this file lies in), ``WORKBOOK_STATE`` where the hub keeps
its own files, ``WORKBOOK_HAND_IN`` the folder that learners hand in to, ``GAINLIB_CLASS`` the class code that they
begin with.
"""

import os
import sys
from pathlib import Path

c = get_config()  # noqa: F821  JupyterHub has it

COURSE = Path(os.environ.get("WORKBOOK", Path(__file__).resolve().parents[2]))
STATE = Path(os.environ.get("WORKBOOK_STATE", "/srv/hub"))
HAND_IN = Path(os.environ.get("WORKBOOK_HAND_IN", "/srv/hand-in"))
FORKS = os.environ.get("WORKBOOK_FORKS", "/run/workbook/forks")
PAGE = "/voila/render/labs/index.ipynb"
IDLE_S = 30 * 60
# Of what ADMIN.md measured, with room for a second page. A spawner of processes on this machine only states it; one of
# containers enforces it.
MEMORY, CORES = "800M", 1.0

c.JupyterHub.bind_url = "http://:8000"
c.JupyterHub.db_url = f"sqlite:///{STATE / 'jupyterhub.sqlite'}"
c.JupyterHub.cookie_secret_file = str(STATE / "cookie_secret")
c.ConfigurableHTTPProxy.pid_file = str(STATE / "proxy.pid")
# Twenty who log in at the same moment are let in one after the other; the page says so and goes on by itself.
c.JupyterHub.concurrent_spawn_limit = 20
c.JupyterHub.active_server_limit = 60
c.Spawner.start_timeout = 120
c.Spawner.http_timeout = 120

# ---- who -------------------------------------------------------------------------------------------------------------
# Accounts of this machine (accounts.py makes them from a list of names); each learner is a user of their own, so that
# the system keeps one from another's files.
c.JupyterHub.authenticator_class = "pam"
c.PAMAuthenticator.open_sessions = False
c.Authenticator.allow_all = True
c.Authenticator.blocked_users = {"root"}
c.Authenticator.admin_users = set(os.environ.get("WORKBOOK_ADMINS", "").split())

# ---- what a learner's server is --------------------------------------------------------------------------------------
sys.path.insert(0, str(Path(__file__).parent))
c.JupyterHub.spawner_class = "forkspawner.ForkSpawner"
c.Spawner.cmd = [str(Path(sys.executable).with_name("jupyterhub-singleuser"))]
c.Spawner.notebook_dir = str(COURSE)
c.Spawner.default_url = PAGE
c.Spawner.mem_limit, c.Spawner.cpu_limit = MEMORY, CORES
c.Spawner.args = [
    "--ServerApp.jpserver_extensions={'gainlib.notebook.pages': True}",
    # Sockets in the learner's home: two kernels never reach for one port, and no other user can connect.
    "--KernelManager.transport=ipc",
    # The culler below ends what nobody looks at any more; a page that is closed has ended its kernel before.
    f"--MappingKernelManager.cull_idle_timeout={IDLE_S}",
    "--MappingKernelManager.cull_connected=False",
]
c.Spawner.environment = {
    "GAINLIB_CLASS": os.environ.get("GAINLIB_CLASS", ""),
    "GAINLIB_HAND_IN": str(HAND_IN) if HAND_IN.is_dir() else "",
    # The name of a socket may have a hundred letters, and that of a kernel has forty.
    "JUPYTER_RUNTIME_DIR": lambda spawner: os.path.expanduser(f"~{spawner.user.name}/.run"),
    # A fork is there at once: none is kept ahead for a page that may never be opened.
    "GAINLIB_SPARE": "0",
    # Freed memory goes back to the system, which has it for the others.
    "MALLOC_ARENA_MAX": "2",
    "MALLOC_MMAP_THRESHOLD_": "8000000",
    "OPENBLAS_NUM_THREADS": "1",
}

# ---- who is gone -----------------------------------------------------------------------------------------------------
c.JupyterHub.load_roles = [
    {
        "name": "culler",
        "scopes": ["list:users", "read:users:activity", "read:servers", "delete:servers"],
        "services": ["culler"],
    }
]
c.JupyterHub.services = [
    {
        "name": "culler",
        "command": [sys.executable, "-m", "jupyterhub_idle_culler", f"--timeout={IDLE_S}", "--cull-every=300"],
    },
    # All servers and kernels are forks of one process, and share most of its memory.
    {"name": "forks", "command": [sys.executable, str(Path(__file__).with_name("forked.py")), FORKS]},
]
