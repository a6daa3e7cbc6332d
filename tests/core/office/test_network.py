"""The page on a network: who comes in, as whom, and what each may."""

from __future__ import annotations

import re
import shutil
import socket
import ssl
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import httpx2
import pytest
from demo_support import SITES
from office_page_support import send, text_of
from starlette.testclient import TestClient

from aftersun.inventory.store import trail
from aftersun.inventory.store.file import Inventory
from aftersun.model.errors import AftersunError
from aftersun.office import users
from aftersun.office.guard import Guard
from aftersun.office.server import Network, opened
from aftersun.office.users import Users, add_user
from aftersun.scoring.run.demo import Demo

ADDRESS = "https://office.example:8417"
PASSWORDS = {"Lo": "look at it only", "Of": "works in the office", "Ma": "manages the office"}


@pytest.fixture(scope="module")
def folder(demo: Demo, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return Path(shutil.copytree(demo.inventory.parent, tmp_path_factory.mktemp("network") / "demo"))


@pytest.fixture(scope="module")
def app(demo: Demo, folder: Path) -> Iterator[Guard]:
    for name, role in {"Lo": "look", "Of": "office", "Ma": "manager"}.items():
        add_user(folder / "users.toml", name, role, PASSWORDS[name])
    network = Network("0.0.0.0", ADDRESS, folder / "users.toml")
    with opened(folder / demo.inventory.name, folder / demo.company.name, 0, 1, network) as app:
        yield app


def stranger(app: Guard) -> TestClient:
    return TestClient(app, ADDRESS, headers={"origin": ADDRESS}, follow_redirects=True)


def enter(client: httpx2.Client, name: str, password: str) -> tuple[int, str]:
    return send(client, "/enter", "/enter", who="", name=name, password=password)


def inside(app: Guard, name: str) -> TestClient:
    client = stranger(app)
    code, page = enter(client, name, PASSWORDS[name])
    assert code == 200
    assert f"You are {name}" in page
    return client


def test_a_stranger_sees_the_way_in_and_nothing_else(app: Guard) -> None:
    client = stranger(app)
    for address in ("/", "/people?q=a", f"/site?site={SITES[0]}", "/file?number=1", "/no-such", "/run-state"):
        answer = client.get(address)
        assert "Password" in answer.text
        assert SITES[0] not in answer.text
    assert send(client, "/call", "/enter", site=SITES[0], outcome="no")[0] == 403
    assert client.post("/list", files={"file": ("x.csv", b"a;b")}).status_code == 403


def test_wrong_names_and_passwords_are_told_alike_and_held_up(app: Guard) -> None:
    client = stranger(app)
    code, told = enter(client, "Of", "x" * 20)
    assert code == 403
    assert text_of(enter(client, "nobody", "x" * 20)[1]) == text_of(told)
    assert app._door.users is not None
    for _ in range(6):
        enter(client, "Lo2", "y" * 20)
    with pytest.raises(AftersunError, match="too often"):
        app._door.users.enters("Lo2", "y" * 20)


def test_the_session_changes_its_number_and_ends(app: Guard) -> None:
    client = stranger(app)
    client.get("/enter")
    before = client.cookies["aftersun_session"]
    token = re.search(r'name="token" value="(\w+)"', client.get("/enter").text)
    assert token is not None
    entered = client.post(
        "/enter", data={"token": token[1], "name": "Of", "password": PASSWORDS["Of"]}, follow_redirects=False
    )
    cookie = entered.headers["set-cookie"]
    assert "HttpOnly; SameSite=Strict; Secure" in cookie
    assert client.cookies["aftersun_session"] != before
    assert entered.headers["strict-transport-security"]
    kept = client.cookies["aftersun_session"]
    assert "You are Of" in client.get("/").text
    send(client, "/leave")
    client.cookies.set("aftersun_session", kept)
    assert "Password" in client.get("/").text


def test_each_role_does_what_it_may_and_what_is_done_is_by_who_entered(app: Guard, folder: Path, demo: Demo) -> None:
    site = SITES[3]
    at = f"/site?site={site}"
    call = {"site": site, "outcome": "unreached", "who": "Ma"}  # a name in the form is nobody's word
    look, office, manager = (inside(app, name) for name in PASSWORDS)
    assert send(look, "/call", at, **call)[0] == 403
    assert send(office, "/call", at, **call)[0] == 200
    assert send(office, "/run", "/run")[0] == 403
    assert send(office, "/stop", "/run")[0] == 403
    assert send(manager, "/stop", "/run")[0] == 200
    with Inventory.open(folder / demo.inventory.name, read_only=True) as inventory:
        assert list(trail.changes(inventory, site).query("table_name == 'call_log'")["changed_by"]) == ["Of"]


def test_who_is_taken_out_of_the_file_is_out_at_once(app: Guard, folder: Path) -> None:
    add_user(folder / "users.toml", "Gone", "office", "goes away again")
    client = stranger(app)
    assert enter(client, "Gone", "goes away again")[0] == 200
    path = folder / "users.toml"
    text = path.read_text("utf-8")
    path.write_text(text[: text.index('["Gone"]')], encoding="utf-8")
    assert "Password" in client.get("/").text
    assert "goes away again" not in text
    assert path.stat().st_mode & 0o077 == 0


def test_another_host_or_origin_is_not_let_in(app: Guard) -> None:
    client = inside(app, "Of")
    assert client.get("/", headers={"host": "127.0.0.1:8417"}).status_code == 403
    assert client.post("/call", headers={"origin": "http://office.example:8417"}).status_code == 403


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"address": "http://office.example"}, "no address of a page behind TLS"),
        ({"certificate": Path("x.pem")}, "needs its key"),
        ({"certificate": Path("x.pem"), "key": Path("y.pem")}, "cannot be used"),
        ({"users": Path("none.toml")}, "Nobody is in none.toml"),
    ],
)
def test_what_is_wrong_on_a_network_is_one_sentence(change: dict[str, object], said: str, tmp_path: Path) -> None:
    add_user(tmp_path / "users.toml", "Kim", "office", "long enough it is")
    given = {"listen": "0.0.0.0", "address": ADDRESS, "users": tmp_path / "users.toml", **change}
    with pytest.raises(AftersunError, match=said) as told:
        Network(**given).door()  # type: ignore[arg-type]
    assert told.value.hint


def test_a_file_of_users_is_private_and_whole(tmp_path: Path) -> None:
    path = tmp_path / "users.toml"
    for name, role, password in [("Kim", "office", "short"), ("Kim", "boss", "long enough it is"), ("", "office", "")]:
        with pytest.raises(AftersunError):
            add_user(path, name, role, password)
    assert not path.exists()
    add_user(path, "Kim", "office", "long enough it is")
    path.chmod(0o644)
    with pytest.raises(AftersunError, match="Others may read"):
        Users(path)
    path.chmod(0o600)
    path.write_text(path.read_text("utf-8").replace("$", "%"), encoding="utf-8")
    with pytest.raises(AftersunError, match="the lines of Kim are damaged"):
        Users(path)


def test_scrypt_is_that_of_the_standard() -> None:
    """RFC 7914, section 12: the third vector, its first 32 bytes."""
    made = users._hash("pleaseletmein", b"SodiumChloride", 16384, 8, 1)
    assert made.hex() == "7023bdcb3afd7348461c06cd81fd38ebfda8fbba904f8e3ea9b543f6545da1f2"


@pytest.mark.slow
def test_the_command_asks_for_users_and_an_address(folder: Path, demo: Demo) -> None:
    program = [sys.executable, "-c", "from aftersun.cli import main; main()", "open", str(folder / "other.duckdb")]
    shutil.copy(folder / "tables" / "site.csv", folder / "other.duckdb")
    ended = subprocess.run([*program, "--listen", "0.0.0.0"], capture_output=True, text=True, timeout=120)
    assert ended.returncode == 2
    assert "--users FILE" in ended.stderr


@pytest.mark.slow
@pytest.mark.skipif(shutil.which("openssl") is None, reason="no openssl to make a certificate with")
def test_it_answers_behind_a_certificate_of_its_own(folder: Path, demo: Demo, tmp_path: Path) -> None:
    certificate, key, users_file = (tmp_path / name for name in ("page.pem", "key.pem", "users.toml"))
    made = "req -x509 -newkey rsa:2048 -nodes -days 1 -subj /CN=localhost -addext subjectAltName=DNS:localhost"
    subprocess.run(["openssl", *made.split(), "-out", certificate, "-keyout", key], check=True, capture_output=True)
    add_user(users_file, "Of", "office", PASSWORDS["Of"])
    shutil.copytree(demo.inventory.parent, tmp_path / "demo")
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    address = f"https://localhost:{port}"
    words = ["open", tmp_path / "demo" / demo.inventory.name, "--port", port, "--workers", 1, "--listen", "127.0.0.1"]
    words += ["--address", address, "--users", users_file, "--certificate", certificate, "--key", key]
    program = [sys.executable, "-c", "from aftersun.cli import main; main()"]
    with subprocess.Popen([*program, *map(str, words)], stderr=subprocess.PIPE, text=True) as process:
        try:
            assert process.stderr is not None
            assert f"The page is at {address} from the network" in process.stderr.readline()
            trust = ssl.create_default_context(cafile=certificate)
            with httpx2.Client(
                base_url=address, verify=trust, headers={"origin": address}, follow_redirects=True, timeout=120
            ) as client:
                assert enter(client, "Of", PASSWORDS["Of"])[0] == 200
                assert "You are Of" in client.get("/").text
            with pytest.raises(httpx2.TransportError):  # nothing is said without TLS
                httpx2.get(f"http://localhost:{port}/", timeout=60)
        finally:
            process.kill()
