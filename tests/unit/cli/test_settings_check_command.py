"""`peakwhite settings`: each mistake by where it is; and the service's own file is judged by the service's tokens."""

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


@pytest.mark.parametrize("command", ["show", "check"])
def test_each_mistake_has_a_line_by_the_file_or_the_environment_that_it_is_in(
    command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "bench.toml").write_text("[live]\nrate_hs = 5\n")
    monkeypatch.setenv("PEAKWHITE_LIVE_RAT", "5")
    monkeypatch.setenv("PEAKWHITE_HTTP_PORT", "high")
    assert run(("settings", command, "--config", str(tmp_path / "bench.toml"))) == 2
    of_http, of_live, of_file = sorted(capsys.readouterr().err.splitlines(), key=lambda line: "bench.toml" in line)
    assert {of_http[:44], of_live[:44]} == {
        "peakwhite: environment: PEAKWHITE_HTTP_PORT:",
        "peakwhite: environment: PEAKWHITE_LIVE_RAT: ",
    }
    assert of_file.startswith(f"peakwhite: {tmp_path / 'bench.toml'}: line 2: [live] rate_hs is no key")


def test_a_mistake_of_the_environment_is_not_blamed_on_a_file_that_there_is_not(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    monkeypatch.setenv("PEAKWHITE_LIVE_RAT", "5")
    run(("doctor",))
    assert "settings    environment: PEAKWHITE_LIVE_RAT: names no key" in capsys.readouterr().out
