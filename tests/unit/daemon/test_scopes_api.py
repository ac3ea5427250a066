"""Choosing a scope of the list over REST: ids that the daemon drew, and nothing else."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from peakwhite.daemon.config import Setup, SetupInForce
from peakwhite.daemon.http.app import create_app
from peakwhite.daemon.http.scopes_api import NOT_FOUND, ScopeIds, listed
from peakwhite.daemon.http.services import Found, Services
from peakwhite.daemon.live import ControlLease, Hub

HOST = "127.0.0.1:8714"
LAN, USB, PATTERN = "TCPIP0::192.0.2.7::inst0::INSTR", "USB0::0x1234::0x5678::S1::INSTR", "USB?*::INSTR"
NAMED = "TCPIP0::192.0.2.9::5025::SOCKET"
IN_USE = "/api/v1/scopes/in-use"


class Choice:
    """A daemon that was started with --scope NAMED."""

    def __init__(self) -> None:
        self.resource: str | None = NAMED
        self.named: list[str] = [NAMED]
        self.why: str | None = None

    async def choose(self, resource: str) -> str | None:
        self.resource = resource
        self.named.append(resource)
        return self.why


class Face:
    """The application, what is found by it, and its choice."""

    def __init__(self, folder: Path, choice: Choice | None) -> None:
        self.found = [Found(LAN, "MAKER,MODEL", None), Found(USB, None, "may not"), Found(PATTERN, None, "no libusb")]
        setup, lease = SetupInForce(Setup()), ControlLease(lambda: 0.0)
        services = Services(
            hub=Hub(lease, lambda: setup.current.generation, lambda: 0.0),
            lease=lease,
            setup=setup,
            version="1.2.3",
            run="abcd",
            hosts=frozenset({HOST}),
            page=folder,
            scan=self.scan,
            check_hookup=lambda hookup: None,
            trimmers=None,
            now_s=lambda: 0.0,
            scope=choice,
        )
        self.client = TestClient(create_app(services), base_url=f"http://{HOST}")

    async def scan(self) -> list[Found]:
        return self.found

    def scanned(self) -> dict[str, dict[str, Any]]:
        """The list after a scan, by resource."""
        return {one["resource"]: one for one in self.client.post("/api/v1/scopes/scan").json()["scopes"]}


@pytest.fixture
def choice() -> Choice:
    return Choice()


@pytest.fixture
def face(tmp_path: Path, choice: Choice) -> Iterator[Face]:
    face = Face(tmp_path, choice)
    with face.client:
        yield face


def test_what_said_what_it_is_and_what_was_in_use_may_be_chosen_found_or_not() -> None:
    found = [Found(LAN, "MAKER,MODEL", None), Found(USB, None, "busy"), Found(PATTERN, None, "no libusb")]
    assert list(listed(found, [USB, NAMED])) == [
        (found[0], True),
        (found[1], True),
        (found[2], False),
        (Found(NAMED, None, NOT_FOUND), True),
    ]


def test_a_resource_has_one_id_that_does_not_tell_it() -> None:
    ids = ScopeIds()
    assert ids.of(LAN) == ids.of(LAN) != ids.of(USB)
    assert ids.of(LAN) != ScopeIds().of(LAN)


def test_the_list_says_which_is_in_use_and_gives_ids_to_what_may_be_chosen(face: Face) -> None:
    scopes = face.scanned()
    assert {resource: bool(one["id"]) for resource, one in scopes.items()} == {
        LAN: True,
        USB: False,
        PATTERN: False,
        NAMED: True,
    }
    assert [resource for resource, one in scopes.items() if one["in_use"]] == [NAMED]
    assert face.scanned() == scopes


def test_an_id_of_the_list_chooses_its_scope_and_the_answer_says_whether_that_is_kept(
    face: Face, choice: Choice
) -> None:
    key = face.scanned()[LAN]["id"]
    answer = face.client.put(IN_USE, json={"id": key}).json()
    assert (choice.resource, answer["kept"], answer["why_not_kept"]) == (LAN, True, None)
    assert [one["resource"] for one in answer["scopes"] if one["in_use"]] == [LAN]
    choice.why = "--scope goes before the settings file"
    back = face.client.put(IN_USE, json={"id": face.scanned()[NAMED]["id"]}).json()
    assert (choice.resource, back["kept"], back["why_not_kept"]) == (NAMED, False, choice.why)


@pytest.mark.parametrize("sent", [LAN, USB, PATTERN, NAMED, "TCPIP0::192.0.2.66::5025::SOCKET", "", "0", "../scan"])
def test_a_resource_or_any_word_of_a_clients_own_chooses_nothing(face: Face, choice: Choice, sent: str) -> None:
    face.scanned()
    answer = face.client.put(IN_USE, json={"id": sent})
    assert (answer.status_code, answer.json()["do"].startswith("look for scopes")) == (404, True)
    assert choice.named == [NAMED]


@pytest.mark.parametrize("body", [{"id": "x" * 65}, {"id": 1}, {}, {"id": "x", "resource": LAN}, {"resource": LAN}])
def test_a_body_that_is_no_choice_is_refused(face: Face, choice: Choice, body: object) -> None:
    face.scanned()
    assert face.client.put(IN_USE, json=body).status_code == 422
    assert choice.named == [NAMED]


def test_an_id_stands_only_as_long_as_its_scope_is_in_the_list(face: Face, choice: Choice) -> None:
    key = face.scanned()[LAN]["id"]
    face.found = []
    face.scanned()
    assert face.client.put(IN_USE, json={"id": key}).status_code == 404
    face.found = [Found(LAN, "MAKER,MODEL", None)]
    assert face.scanned()[LAN]["id"] == key
    assert face.client.put(IN_USE, json={"id": key}).status_code == 200


def test_before_the_first_scan_nothing_is_listed_and_nothing_can_be_chosen(face: Face) -> None:
    assert face.client.get("/api/v1/scopes").json() == {"scopes": None}
    assert face.client.put(IN_USE, json={"id": ScopeIds().of(NAMED)}).status_code == 404


def test_while_somebody_else_holds_control_nothing_is_chosen(face: Face, choice: Choice) -> None:
    key = face.scanned()[LAN]["id"]
    face.client.post("/api/v1/control", json={"name": "phone"})
    answer = face.client.put(IN_USE, json={"id": key})
    assert (answer.status_code, answer.json()["code"]) == (409, "control-held")
    assert choice.named == [NAMED]


def test_where_the_scope_is_not_to_be_changed_the_list_has_no_ids_and_a_choice_says_why(tmp_path: Path) -> None:
    face = Face(tmp_path, None)
    with face.client:
        assert [one["id"] for one in face.scanned().values()] == [None] * 3
        answer = face.client.put(IN_USE, json={"id": "x"})
        assert (answer.status_code, "keeps to its scope" in answer.json()["detail"]) == (404, True)
