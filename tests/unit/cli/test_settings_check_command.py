"""`peakwhite settings check` and `doctor` on the service's own file: judged by the service's tokens, not by the caller's."""

from pathlib import Path

import pytest

from peakwhite.daemon import service
from peakwhite.daemon.access import first_token
from peakwhite.daemon.cli import run


@pytest.fixture
def image(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An image with a service, of which a user has no token of his own."""
    for name in ("XDG_STATE_HOME", "XDG_CONFIG_HOME", "XDG_DATA_HOME"):
        monkeypatch.setenv(name, str(tmp_path / "home"))
    root = tmp_path / "image"
    service.install(root, service.items(service.this_program(), "0.0.0.0"))
    return root


@pytest.fixture
def file(image: Path) -> str:
    return str(service.under(image, service.SETTINGS))


def test_the_services_own_file_is_in_order_once_the_service_has_a_token(
    image: Path, file: str, capsys: pytest.CaptureFixture[str]
) -> None:
    state = service.under(image, service.STATE)
    assert run(("settings", "check", file)) == 2
    assert f"make one: peakwhite access new --state {state} --role" in capsys.readouterr().err
    first_token(state)
    assert run(("settings", "check", file)) == 0
    assert capsys.readouterr() == (f"{file}: in order\n", "")
    run(("doctor", "--config", file))
    assert f"settings    {file}: in order\n" in capsys.readouterr().out


def test_where_the_services_tokens_may_not_be_looked_at_that_is_said_and_no_mistake(
    image: Path, file: str, capsys: pytest.CaptureFixture[str]
) -> None:
    first_token(state := service.under(image, service.STATE))
    (state / "access.json").rename(image / "tokens")
    (state / "access.json").symlink_to("access.json")  # nobody can open it, root neither
    assert run(("settings", "check", file)) == 0
    out, err = capsys.readouterr()
    assert out == f"{file}: in order\n"
    assert (
        err
        == f"peakwhite: whether anybody has an access token could not be looked at: {state}: too many levels of symbolic links\n"
    )
    run(("doctor", "--config", file))
    assert "in order; whether anybody has an access token could not be looked at" in capsys.readouterr().out
