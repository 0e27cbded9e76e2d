"""Make an account of this machine for every learner of a list: a name a line, ``#`` begins a remark.

``accounts.py class.txt passwords.csv``: whoever is new gets a password, which is written to the second file (for its
owner's eyes only); whoever has one keeps it. Homes are their owners' alone. Run as the superuser, on Linux.
"""

import csv
import os
import pwd
import re
import secrets
import subprocess
import sys
from pathlib import Path

NAME = re.compile(r"[a-z][a-z0-9-]{0,29}")
LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"  # none that looks like another on paper


def names_of(text: str) -> list[str]:
    """Return the names of a list; one that is no account name stops it, with what would do."""
    names = [line.partition("#")[0].strip() for line in text.splitlines()]
    for number, name in enumerate(names, 1):
        if name and not NAME.fullmatch(name):
            raise SystemExit(
                f"Line {number} of the list is {name!r}; an account is up to 30 of a to z, 0 to 9 and -, a letter first"
            )
    return list(dict.fromkeys(filter(None, names)))


def passwords_of(file: Path) -> dict[str, str]:
    """Return the passwords given before, by name."""
    if not file.exists():
        return {}
    with file.open(newline="", encoding="utf-8") as lines:
        return {row["name"]: row["password"] for row in csv.DictReader(lines)}


def write(file: Path, passwords: dict[str, str]) -> None:
    """Write them, whole, for the owner alone."""
    part = file.with_name(f"{file.name}.new")
    with os.fdopen(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "w", encoding="utf-8") as lines:
        table = csv.writer(lines)
        table.writerow(("name", "password"))
        table.writerows(passwords.items())
    part.replace(file)


def make(name: str, password: str) -> None:
    """Make an account, with the number its home had, where a volume has brought one along."""
    home = Path("/home", name)
    try:
        pwd.getpwnam(name)
    except KeyError:
        number = ["-u", str(home.stat().st_uid)] if home.exists() else []
        command = ["useradd", *number, "-m", "-K", "HOME_MODE=0700", "-s", "/bin/bash", name]
        subprocess.run(command, check=True, capture_output=True)
        home.chmod(0o700)
    subprocess.run(["chpasswd"], input=f"{name}:{password}\n", text=True, check=True)


def main(arguments: list[str]) -> int | str:
    """Make what is missing."""
    if len(arguments) != 2:
        return __doc__
    names, file = names_of(Path(arguments[0]).read_text(encoding="utf-8")), Path(arguments[1])
    known = passwords_of(file)
    new = [name for name in names if name not in known]
    passwords = known | {name: "".join(secrets.choice(LETTERS) for _ in range(10)) for name in new}
    write(file, passwords)
    for name in names:
        make(name, passwords[name])
    print(f"{len(names)} accounts, {len(new)} of them new; the passwords are in {file}")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
