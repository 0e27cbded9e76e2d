"""Folders and files that the system refuses: it is made here, since the superuser is refused nothing."""

import builtins
import io
import os

_LOOKS = ("stat", "lstat")
_CALLS = (*_LOOKS, "listdir", "scandir", "open", "mkdir", "replace", "rename", "unlink")


def lock(monkeypatch, place):
    """Refuse a place and all that lies under it, as for somebody else's; only that the place is there still shows."""
    place = os.path.abspath(place)

    def shut(path, looks):
        if not isinstance(path, str | bytes | os.PathLike):
            return False
        path = os.path.abspath(os.fsdecode(path))
        return (path == place and not looks) or path.startswith(place + os.sep)

    def refusing(call, looks=False):
        def refuse(path=".", *arguments, **options):
            if shut(path, looks):
                raise PermissionError(13, "Permission denied", str(path))
            return call(path, *arguments, **options)

        return refuse

    for name in _CALLS:
        monkeypatch.setattr(os, name, refusing(getattr(os, name), name in _LOOKS))
    for module in (io, builtins):
        monkeypatch.setattr(module, "open", refusing(module.open))
