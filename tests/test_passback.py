"""Scores sent to a learning platform, a small one on this machine that takes nothing for granted (1EdTech AGS 2.0).

What it asks of a tool is written down here from the standards, not from the code that sends: scopes and media types of
line items and scores as makers of platforms print them in their guides to AGS 2.0, all else from memory.
"""

import json
import threading
from datetime import datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from urllib.parse import parse_qs, urlsplit

import jwt
import pytest
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import rsa
from school import Writer, run

from gainlib.audio import GainlibError
from gainlib.exercises import bank
from gainlib.exercises.gradebook import Listed, gradebook, passback

SCOPE = "https://purl.imsglobal.org/spec/lti-ags/scope/"
KEY = rsa.generate_private_key(65537, 2048)
PEM = KEY.private_bytes(
    serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
).decode()


class Platform(ThreadingHTTPServer):
    """Line items over two pages, scores by line item and user, and replies that fail when asked to."""

    def __init__(self):
        super().__init__(("127.0.0.1", 0), Handler)
        self.url = f"http://127.0.0.1:{self.server_port}"
        self.items = {"/course/7/lineitems/1": {"label": "Essay", "resourceId": "essay", "scoreMaximum": 5}}
        self.scores, self.tokens, self.seen, self.failing, self.granted = {}, set(), [], [], ("lineitem", "score")
        self.busy = 0

    def fail(self, *kinds):
        """Answer the next scores so: a status, or "lost" for one that is stored and then answered 502."""
        self.failing += kinds


class Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"

    def log_message(self, *_):
        """Say nothing."""

    def answer(self, status, document=None, media="application/json", **heads):
        data = b"" if document is None else json.dumps(document).encode()
        self.send_response(status)
        for name, value in {"Content-Type": media, "Content-Length": str(len(data)), **heads}.items():
            self.send_header(name.replace("_", "-"), value)
        self.end_headers()
        self.wfile.write(data)

    def body(self):
        return self.rfile.read(int(self.headers["Content-Length"])).decode()

    def allowed(self, scope):
        ours, token = self.server, self.headers.get("Authorization", "").removeprefix("Bearer ")
        if token not in ours.tokens:
            self.answer(401)
        elif scope not in ours.granted:
            self.answer(403)
        return token in ours.tokens and scope in ours.granted

    def do_GET(self):
        parts, ours = urlsplit(self.path), self.server
        assert self.headers["Accept"] == "application/vnd.ims.lis.v2.lineitemcontainer+json"
        if self.allowed("lineitem"):
            second = "page" in parse_qs(parts.query)
            shown = [{"id": ours.url + at, **item} for at, item in ours.items.items()][1 if second else 0 :]
            more = {} if second else {"Link": f'<{ours.url}/course/7/lineitems?page=2>; rel="next"'}
            self.answer(200, shown[: None if second else 1], self.headers["Accept"], **more)

    def do_POST(self):
        parts, ours = urlsplit(self.path), self.server
        body = self.body()
        if parts.path == "/token":
            self.token({name: value for name, (value,) in parse_qs(body).items()})
        elif parts.path == "/course/7/lineitems":
            assert self.headers["Content-Type"] == "application/vnd.ims.lis.v2.lineitem+json"
            if self.allowed("lineitem"):
                at, item = f"/course/7/lineitems/{len(ours.items) + 1}", json.loads(body)
                assert item["scoreMaximum"] > 0 and item["label"] and item["resourceId"]
                ours.items[f"{at}?of=7"] = item
                self.answer(201, {"id": f"{ours.url}{at}?of=7", **item}, self.headers["Content-Type"])
        else:
            assert self.headers["Content-Type"] == "application/vnd.ims.lis.v1.score+json"
            if self.allowed("score"):
                self.score(parts, json.loads(body))

    def token(self, form):
        ours = self.server
        assert form["grant_type"] == "client_credentials"
        assert form["client_assertion_type"] == "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"
        assert set(form["scope"].split()) == {SCOPE + "lineitem", SCOPE + "score"}
        assert jwt.get_unverified_header(form["client_assertion"]) | {"typ": "JWT"} == {
            "alg": "RS256",
            "kid": "k1",
            "typ": "JWT",
        }
        try:
            claims = jwt.decode(form["client_assertion"], KEY.public_key(), ["RS256"], audience=f"{ours.url}/token")
        except jwt.InvalidTokenError:
            return self.answer(400, {"error": "invalid_client"})
        assert claims["iss"] == claims["sub"] == "tool" and 0 < claims["exp"] - claims["iat"] <= 300
        if claims["jti"] in ours.seen:
            return self.answer(400, {"error": "invalid_request"})
        ours.seen.append(claims["jti"])
        if ours.busy:
            ours.busy -= 1
            return self.answer(503)
        ours.tokens = {f"t{len(ours.seen)}"}
        return self.answer(200, {"access_token": f"t{len(ours.seen)}", "token_type": "Bearer", "expires_in": 3600})

    def score(self, parts, score):
        ours, item = self.server, parts.path.removesuffix("/scores") + (f"?{parts.query}" if parts.query else "")
        assert parts.path.endswith("/scores") and item in ours.items
        assert score["activityProgress"] in ("InProgress", "Completed") and score["gradingProgress"] == "FullyGraded"
        assert 0 <= score["scoreGiven"] <= score["scoreMaximum"] and set(score) == {
            "userId", "scoreGiven", "scoreMaximum", "activityProgress", "gradingProgress", "timestamp",
        }  # fmt: skip
        time = datetime.fromisoformat(score["timestamp"])
        assert time.tzinfo and "." in score["timestamp"]
        kind = ours.failing.pop(0) if ours.failing else None
        if kind == "expired":
            ours.tokens.clear()
            return self.answer(401)
        if isinstance(kind, int):
            return self.answer(kind, **({"Retry_After": "7"} if kind == 429 else {}))
        if score["userId"] == "stranger":
            return self.answer(404)
        kept = ours.scores.setdefault((item, score["userId"]), [])
        if kept and datetime.fromisoformat(kept[-1]["timestamp"]) >= time:
            return self.answer(409)
        kept.append(score)
        return self.answer(502 if kind == "lost" else 200)


@pytest.fixture
def platform():
    server = Platform()
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
    thread.start()
    yield server
    server.shutdown()
    server.server_close()
    thread.join()


@pytest.fixture
def files(platform, tmp_path):
    """Return a folder with records, the file that says where, key and ids."""
    Writer("anna").do("05-1", "right").do("05-2", "hint").save(tmp_path / "records")
    Writer("ben").do("05-1", "wrong").save(tmp_path / "records")
    (tmp_path / "ids.csv").write_text("learner;id\nanna;u-1\nBen;u-2\n", encoding="utf-8")
    (tmp_path / "private.pem").write_text(PEM)
    (tmp_path / "private.pem").chmod(0o600)
    where = {"token_url": f"{platform.url}/token", "line_items_url": f"{platform.url}/course/7/lineitems"}
    said = {"client_id": "tool", **where, "key": "private.pem", "key_id": "k1", "ids": "ids.csv"}
    (tmp_path / "lti.toml").write_text("".join(f'{name} = "{value}"\n' for name, value in said.items()), "utf-8-sig")
    return tmp_path


def sent(files, wait=lambda seconds: None):
    """Send what there is and return what was not taken."""
    platform = passback.read_platform(files / "lti.toml")
    found, problems = passback.scores(gradebook(files / "records", lab="05"), platform.ids)
    return [*problems, *passback.send(platform, found, wait)]


def test_scores_are_shown_then_sent_and_never_sent_again(platform, files, capsys):
    words = ("gradebook", files / "records", "--csv", files / "m.csv", "--send", files / "lti.toml", "-q")
    assert run(*words) == 0 and not platform.seen
    shown = capsys.readouterr().out
    assert "Scores the platform lacks (2 of 2):\n  lab 05, anna (7b): 3.7 of" in shown and "Nothing was sent" in shown
    assert run(*words, "--yes") == 0
    most = sum(each.points for each in bank() if each.lab == "05")
    (item,) = (at for at, each in platform.items.items() if each["resourceId"] != "essay")
    assert platform.items[item]["scoreMaximum"] == most
    kept = {
        user: [(each["scoreGiven"], each["scoreMaximum"]) for each in of] for (_, user), of in platform.scores.items()
    }
    assert kept == {"u-1": [(3.7, most)], "u-2": [(0.0, most)]}
    assert PEM not in (said := "".join(capsys.readouterr())) and "t1" not in said.split()
    capsys.readouterr()
    assert run(*words, "--yes") == 0 and "(0 of 2)" in capsys.readouterr().out and len(platform.seen) == 1
    Writer("ben", day=5).do("05-2", "right").save(files / "records", "more")
    assert sent(files) == [] and [each["scoreGiven"] for each in platform.scores[item, "u-2"]] == [0.0, 2.0]
    assert len(platform.scores[item, "u-1"]) == 1 and len(platform.items) == 2, "the line item is found again"


def test_what_may_help_is_tried_again_and_a_lost_reply_counts_once(platform, files):
    waits = []
    platform.busy = 1
    platform.fail(429, 503, "lost", "expired")
    assert sent(files, waits.append) == [] and waits == [1.0, 7.0, 2.0, 4.0]
    assert sorted(len(each) for each in platform.scores.values()) == [1, 1] and len(platform.seen) == 3
    assert len(json.loads((files / "lti.sent.json").read_text())) == 2


def test_what_was_sent_before_a_breakdown_is_not_sent_again(platform, files):
    platform.fail(200, *[500] * 5)
    with pytest.raises(GainlibError, match=r"127\.0\.0\.1:\d+ answers 500 after 5 tries; run it again later"):
        sent(files)
    platform.failing.clear()
    assert sent(files) == [] and [len(each) for each in platform.scores.values()] == [1]


def test_each_refusal_has_its_sentence(platform, files):
    (files / "ids.csv").write_text("learner,id\nanna,stranger\n")
    unknown, refused = sent(files)
    assert unknown == "ben (7b): no id of the platform is known; add it to the list of ids"
    assert refused.startswith("lab 05, anna (7b): 3.7 of") and "knows neither this user nor this line item" in refused
    (files / "ids.csv").write_text("learner,id\nanna,u-1\nben,u-1\n")
    platform.fail(302)
    assert "the platform did not take it (302)" in sent(files)[1], "a score goes nowhere else"
    platform.fail(403)
    same, refused = sent(files)
    assert same.startswith("ben (7b) and anna (7b) have the same id u-1") and "may not write here" in refused
    assert sent(files)[1:] == []
    (files / "lti.sent.json").unlink()
    platform.scores[next(iter(platform.scores))].append({"timestamp": "2999-01-01T00:00:00.000+00:00"})
    assert "has a later score, from elsewhere; it stays (409)" in sent(files)[1]
    (files / "lti.sent.json").write_text("{")
    with pytest.raises(GainlibError, match=r"it says what was sent\. Mend it, or remove it"):
        sent(files)
    (files / "lti.sent.json").unlink()
    platform.granted = ("score",)
    with pytest.raises(GainlibError, match=r"shows no line items \(403\)"):
        sent(files)


def test_a_file_that_will_not_do_is_refused_before_anything_is_marked(files, capsys):
    good = (files / "lti.toml").read_text()

    def refused(text):
        (files / "lti.toml").write_text(text)
        words = ("gradebook", files / "records", "--csv", files / "m.csv", "--send", files / "lti.toml")
        assert run(*words) == 2 and not (files / "m.csv").exists()
        return capsys.readouterr().err

    assert "lacks key_id; it takes client_id, token_url" in refused(good.replace("key_id", "# key_id"))
    assert "holds secret; it takes" in refused(good + 'secret = "x"\n')
    assert "is not TOML" in refused("client_id")
    assert "is no address that begins with https://" in refused(good.replace("127.0.0.1", "platform.example.org"))
    (files / "lti.toml").write_text(good)
    for text, mode, said in (
        (PEM, 0o644, "others may read"),
        ("x", 0o600, "no private RSA key"),
        (None, 0, "cannot be read"),
    ):
        (files / "private.pem").unlink()
        if text:
            (files / "private.pem").write_text(text)
            (files / "private.pem").chmod(mode)
        else:
            (files / "private.pem").mkdir()
        with pytest.raises(GainlibError, match=said):
            sent(files)
    (files / "private.pem").rmdir()
    other = rsa.generate_private_key(65537, 2048)
    pem = (serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    (files / "private.pem").write_bytes(other.private_bytes(*pem))
    (files / "private.pem").chmod(0o600)
    with pytest.raises(GainlibError, match=r"gives no token \(invalid_client\); compare client_id, key_id and key"):
        sent(files)


def test_the_weight_of_a_lab_is_that_of_its_line_item(files):
    """A lab of twice the weight has twice the points, given and possible."""
    (files / "class.toml").write_text('name = "a"\ncode = "7b"\nlabs = ["05"]\n[weights]\n05 = 2\n')
    from gainlib.exercises.gradebook import read_class

    course = read_class(files / "class.toml")
    plain, double = (gradebook(files / "records", lab="05", course=each) for each in (None, course))
    ids = (Listed("anna", id="u-1"), Listed("ben", id="u-2"))
    for one, other in zip(*(passback.scores(each, ids)[0] for each in (plain, double)), strict=True):
        assert (other.given, other.most) == (2 * one.given, 2 * one.most) and one.most > 0
