"""The hub's spawner: a learner's server is a fork of the process of ``forked.py``."""

import forked
from jupyterhub.spawner import LocalProcessSpawner
from jupyterhub.utils import random_port


class ForkSpawner(LocalProcessSpawner):
    """Asks for a fork; where nobody forks, a process is begun as usual."""

    async def start(self):
        """Start the server and return where it listens."""
        self.port = self.port or random_port()
        command = [*self.cmd, *self.get_args()]
        self.proc, self.pid = None, await forked.fork_server(self.user.name, command, self.get_env())
        if self.pid is None:
            self.log.warning("nobody forks at %s; %s has a process of their own", forked.SOCKET, self.user.name)
            return await super().start()
        return "127.0.0.1", self.port
