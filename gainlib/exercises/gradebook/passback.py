"""Marks sent to a learning platform: 1EdTech LTI Advantage, Assignment and Grade Services 2.0 (AGS).

A file of the teacher, ``lti.toml``, says where::

    client_id = "workbook-7b"
    token_url = "https://platform.example.org/token"
    line_items_url = "https://platform.example.org/course/7/lineitems"
    key = "private.pem"              # this tool's private key (RSA), relative to this file
    key_id = "2026"                  # what the platform calls the public one
    ids = "ids.csv"                  # learner, class, id: the platform's user ids; left out: those of the class list

Each lab is a line item of the platform, made where there is none, with the lab's points and weight. The token comes for
a signed assertion (Security Framework 1.0, section 4.1, from memory, as are the members of a score; scopes and media
types are those that makers of platforms print in their guides to AGS 2.0).

Nothing is sent twice: what was sent stands in ``lti.sent.json`` beside the file. A platform takes no score whose time
is not later than that of the last one (AGS 2.0, timestamp), so a second try bears the time of the first, whose reply
may have been lost.
"""

import json
import os
import stat
import time
import tomllib
import uuid
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from urllib.parse import urlencode, urljoin, urlsplit, urlunsplit

from gainlib.audio import GainlibError, write_whole
from gainlib.exercises.gradebook.export import by_learner
from gainlib.exercises.gradebook.lists import Listed, read_class_list
from gainlib.exercises.gradebook.marks import shown_name
from gainlib.exercises.gradebook.result import Gradebook
from gainlib.exercises.text import shorten
from gainlib.words import number

SCOPES = "https://purl.imsglobal.org/spec/lti-ags/scope/lineitem https://purl.imsglobal.org/spec/lti-ags/scope/score"
ITEM = "application/vnd.ims.lis.v2.lineitem+json"
ITEMS = "application/vnd.ims.lis.v2.lineitemcontainer+json"
SCORE = "application/vnd.ims.lis.v1.score+json"
ASSERTION = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"
TRIES, LONGEST_WAIT_S, TIMEOUT_S, ASSERTED_S = 5, 30.0, 20.0, 60
_NEEDED = ("client_id", "token_url", "line_items_url", "key", "key_id")
_NAME = "gainlib-lab-{}"
_LOOPBACK = ("localhost", "127.0.0.1", "::1")


@dataclass(frozen=True)
class Platform:
    """Where marks go, and as whom; the private key stays in its file."""

    path: Path
    client_id: str
    token_url: str
    line_items_url: str
    key: Path
    key_id: str
    ids: tuple[Listed, ...] = ()

    @property
    def sent(self) -> Path:
        """The file of what was sent."""
        return self.path.with_suffix(".sent.json")


@dataclass(frozen=True)
class Score:
    """One learner's points in one lab, as the platform gets them."""

    lab: str
    learner: str
    user: str
    given: float
    most: float
    finished: bool

    @property
    def figures(self) -> list:
        """What is compared with what was sent before."""
        return [self.given, self.most, self.finished]

    def __str__(self):
        return f"lab {self.lab}, {self.learner}: {number(self.given)} of {number(self.most)}"


def read_platform(path: str | Path) -> Platform:
    """Read ``lti.toml``."""
    path = Path(path)
    try:
        found = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except OSError as problem:
        raise GainlibError(f"{path}: cannot be read ({problem.strerror or problem})") from None
    except ValueError as problem:
        raise GainlibError(f"{path} is not TOML: {problem}") from None
    wrong = [name for name in _NEEDED if not isinstance(found.get(name), str) or not found[name].strip()]
    unknown = sorted(found.keys() - {*_NEEDED, "ids"})
    if wrong or unknown or not isinstance(found.get("ids", ""), str):
        what = f"lacks {', '.join(wrong)}" if wrong else f"holds {', '.join(unknown) or 'ids, and not as a text'}"
        raise GainlibError(f"{path}: {what}; it takes {', '.join(_NEEDED)} and ids, each a text")
    for name in ("token_url", "line_items_url"):
        _safe(found[name], f"{path}: {name}")
    ids = read_class_list(path.parent / found["ids"]) if "ids" in found else ()
    return Platform(path, *(found[name] for name in _NEEDED[:3]), path.parent / found["key"], found["key_id"], ids)


def _safe(address, where):
    """Return an address that is encrypted on its way, or stays on this machine."""
    try:
        parts = urlsplit(address)
        safe = parts.hostname and (parts.scheme == "https" or (parts.scheme == "http" and parts.hostname in _LOOPBACK))
    except ValueError:
        safe = False
    if not safe:
        raise GainlibError(f"{where}: “{shorten(address)}” is no address that begins with https://")
    return address


def scores(book: Gradebook, ids: Sequence[Listed] = ()) -> tuple[list[Score], list[str]]:
    """Return what there is to send, and a sentence for everybody whom the platform cannot know.

    Its user ids are those of the class list where no others are given.
    """
    listed, found, problems, holders = ids or book.listed, [], [], {}
    for own in by_learner(book.rows):
        name = shown_name((own[0].class_code, own[0].learner))
        labs = {row.lab: [each for each in own if each.lab == row.lab] for row in own if row.counts}
        user = next((each.id for each in listed if each.id and each.is_for(own[0].who)), "")
        if labs and not user:
            problems.append(f"{name}: no id of the platform is known; add it to the list of ids")
        elif labs and holders.setdefault(user, name) != name:
            problems.append(f"{name} and {holders[user]} have the same id {shorten(user)}; only the latter's are sent")
        else:
            for lab, rows in labs.items():
                given, most = (round(value, 4) for value in book.total(rows))
                found.append(Score(lab, name, user, given, most, all(row.counts for row in rows)))
    return found, problems


def new_ones(platform: Platform, found: Sequence[Score]) -> list[Score]:
    """Return the scores that were not sent yet as they are."""
    sent = _read_sent(platform)
    return [each for each in found if sent.get(_key(platform, each), [])[:3] != each.figures]


def send(platform: Platform, found: Sequence[Score], wait: Callable[[float], None] = time.sleep) -> Iterator[str]:
    """Send what is new, and yield a sentence for every score that the platform did not take."""
    found = new_ones(platform, found)
    service = _Service(platform, wait)
    items = service.line_items({each.lab: each.most for each in found})
    sent = _read_sent(platform)
    for each in found:
        before = [datetime.fromisoformat(when) for when in sent.get(_key(platform, each), [])[-1:]]
        when = max([datetime.now(UTC), *(last + timedelta(milliseconds=1) for last in before)])
        when = when.isoformat(timespec="milliseconds")
        reply, lost = service.ask("POST", _scores_of(items[each.lab]), SCORE, _body(each, when))
        if _took(reply) or (reply.status_code == 409 and lost):  # then an earlier try had arrived
            sent[_key(platform, each)] = [*each.figures, when]
            write_whole(platform.sent, json.dumps(sent, indent=1))
        else:
            yield f"{each}: {_REFUSED.get(reply.status_code, 'the platform did not take it')} ({reply.status_code})"


_REFUSED = {
    403: "this tool may not write here; ask the platform's admin for the scope of scores",
    404: "the platform knows neither this user nor this line item; compare the ids",
    409: "the platform has a later score, from elsewhere; it stays",
}


def _key(platform, score):
    return f"{platform.line_items_url} {score.lab} {score.user}"


def _read_sent(platform):
    try:
        return dict(json.loads(platform.sent.read_text(encoding="utf-8")))
    except FileNotFoundError:
        return {}
    except (OSError, ValueError, TypeError):
        raise GainlibError(
            f"{platform.sent} cannot be read; it says what was sent. Mend it, or remove it and all is sent once more"
        ) from None


def _body(score, when):
    progress = "Completed" if score.finished else "InProgress"
    figures = {"userId": score.user, "scoreGiven": score.given, "scoreMaximum": score.most}
    return {**figures, "activityProgress": progress, "gradingProgress": "FullyGraded", "timestamp": when}


def _scores_of(item):
    """Return where a line item takes scores: /scores goes to the end of its path, ahead of a query."""
    parts = urlsplit(item)
    return urlunsplit(parts._replace(path=f"{parts.path.rstrip('/')}/scores"))


# ---------------------------------------------------------------------------------------------------------- the service


class _Service:
    """What asks the platform, with a token of its own, again where that may help."""

    def __init__(self, platform, wait):
        try:
            import jwt
            import requests
        except ImportError as missing:
            raise GainlibError(f"{missing.name} is missing; sending needs: pip install -e .[lti]") from None
        self._platform, self._wait, self._jwt, self._failed = platform, wait, jwt, requests.RequestException
        self._session, self._token = requests.Session(), None
        self._key = _private_key(platform.key)

    def ask(self, method, address, media="", body=None, accept=""):
        """Return the reply to one request, and whether an earlier try may have arrived without one."""
        data = body and json.dumps(body).encode()
        heads = {name: value for name, value in (("Content-Type", media), ("Accept", accept)) if value}
        reply, lost = self._tried(method, address, lambda: (data, heads | self._authorization()))
        if reply.status_code == 401:
            self._token = None
            reply, again = self._tried(method, address, lambda: (data, heads | self._authorization()))
            lost |= again
        return reply, lost

    def _tried(self, method, address, asked):
        lost = False
        for tries in range(1, TRIES + 1):
            reply = self._reply(method, address, *asked())
            if reply is not None and reply.status_code != 429 and reply.status_code < 500:
                return reply, lost
            lost |= reply is None or reply.status_code != 429
            if tries < TRIES:
                self._wait(_pause(reply, tries))
        said = f"answers {reply.status_code}" if reply is not None else "cannot be reached"
        host = urlsplit(address).netloc.rpartition("@")[2]
        raise GainlibError(f"{host} {said} after {TRIES} tries; run it again later, and what is left is sent")

    def _reply(self, method, address, data, heads):
        def bare(request):  # else an account that the system keeps for this host would take the token's place
            request.headers.update(heads)
            return request

        try:
            how = {"auth": bare, "timeout": TIMEOUT_S, "allow_redirects": False}
            return self._session.request(method, address, data=data, **how)
        except self._failed:
            return None

    def _authorization(self):
        if self._token is None:
            reply, _ = self._tried("POST", self._platform.token_url, self._assertion)
            found = _json(reply)
            found = found if isinstance(found, dict) else {}
            if not _took(reply) or not isinstance(found.get("access_token"), str):
                raise GainlibError(
                    f"the platform gives no token ({shorten(found.get('error', reply.status_code))}); compare "
                    "client_id, key_id and key with what is registered there"
                )
            self._token = found["access_token"]
        return {"Authorization": f"Bearer {self._token}"}

    def _assertion(self):
        """Return what asks for a token; signed anew for every try, since a platform takes each but once."""
        now, of = int(time.time()), self._platform
        claims = {"iss": of.client_id, "sub": of.client_id, "aud": of.token_url, "jti": str(uuid.uuid4())}
        claims |= {"iat": now, "exp": now + ASSERTED_S}
        signed = self._jwt.encode(claims, self._key, algorithm="RS256", headers={"kid": of.key_id})
        form = {"grant_type": "client_credentials", "client_assertion_type": ASSERTION}
        heads = {"Content-Type": "application/x-www-form-urlencoded", "Accept": "application/json"}
        return urlencode({**form, "client_assertion": signed, "scope": SCOPES}).encode(), heads

    def line_items(self, wanted):
        """Return the address of each lab's line item; one that is missing is made."""
        found, address, pages = {}, self._platform.line_items_url, 0
        while wanted and address and pages < 100:
            reply, _ = self.ask("GET", _safe(address, "the platform's next page"), accept=ITEMS)
            entries = _json(reply)
            if not _took(reply) or not isinstance(entries, list):
                raise GainlibError(f"the platform shows no line items ({reply.status_code}); compare the address")
            pairs = ((each.get("resourceId"), each.get("id")) for each in entries if isinstance(each, dict))
            found |= {name: item for name, item in pairs if isinstance(name, str) and isinstance(item, str)}
            more = reply.links.get("next", {}).get("url")
            address, pages = more and urljoin(address, more), pages + 1
        items = {lab: found.get(_NAME.format(lab)) or self._made(lab, most) for lab, most in wanted.items()}
        return {lab: _safe(item, "the platform's line item") for lab, item in items.items()}

    def _made(self, lab, most):
        body = {"scoreMaximum": most, "label": f"Lab {lab}", "resourceId": _NAME.format(lab), "tag": "points"}
        reply, _ = self.ask("POST", self._platform.line_items_url, ITEM, body, accept=ITEM)
        made = _json(reply)
        if not _took(reply) or not isinstance(made, dict) or not isinstance(made.get("id"), str):
            raise GainlibError(f"the platform made no line item ({reply.status_code}); ask its admin for that scope")
        return made["id"]


def _pause(reply, tries):
    asked = "" if reply is None else reply.headers.get("Retry-After", "")
    return min(float(asked) if asked.isascii() and asked.isdigit() else 2.0 ** (tries - 1), LONGEST_WAIT_S)


def _took(reply):
    return 200 <= reply.status_code < 300


def _json(reply):
    try:
        return reply.json()
    except ValueError:
        return None


def _private_key(path):
    """Return the key in a file that its owner alone may read."""
    from cryptography.hazmat.primitives.asymmetric.rsa import RSAPrivateKey
    from cryptography.hazmat.primitives.serialization import load_pem_private_key

    try:
        open_to, text = path.stat().st_mode & (stat.S_IRWXG | stat.S_IRWXO), path.read_bytes()
    except OSError as problem:
        raise GainlibError(f"{path}: the private key cannot be read ({problem.strerror or problem})") from None
    if open_to and os.name == "posix":
        raise GainlibError(f"{path}: others may read this private key; let only its owner (chmod 600)")
    try:
        key = load_pem_private_key(text, None)
    except (ValueError, TypeError):
        key = None
    if not isinstance(key, RSAPrivateKey):
        raise GainlibError(f"{path} holds no private RSA key without a password; give one as PEM")
    return key
