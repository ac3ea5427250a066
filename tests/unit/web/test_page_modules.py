"""The page's modules that need no browser, as they are sent, under Node's own test runner."""

import json
import os
import re
import shutil
import subprocess
from importlib.resources import files
from pathlib import Path
from typing import get_args

import pytest

from peakwhite.daemon.http.models import ClipBody
from peakwhite.daemon.http.sent_text import sent_text
from peakwhite.daemon.measure.hookup import EXT_ROLES, Link, Load, Point, Role

HERE = Path(__file__).parent
PAGE = Path(str(files("peakwhite.web"))) / "static"


@pytest.fixture(scope="module")
def sent_page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the page's modules as a browser gets them, but each by itself."""
    folder = tmp_path_factory.mktemp("page")
    shutil.copy(PAGE / "package.json", folder)
    for file in PAGE.glob("*.js"):
        (folder / file.name).write_text(sent_text(file.read_text(encoding="utf-8"), ".js"), encoding="utf-8")
    return folder


@pytest.mark.parametrize("suite", sorted(path.name for path in HERE.glob("*.test.mjs")))
def test_the_pages_modules_pass_their_own_tests(suite: str, sent_page: Path) -> None:
    node = shutil.which("node")
    if node is None:
        pytest.skip("node is not installed: the page's modules were not tested")
    run = subprocess.run(
        [node, "--test", str(HERE / suite)],
        env=os.environ | {"PEAKWHITE_PAGE": str(sent_page)},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    passed = re.search(r"^# pass (\d+)$|^ℹ pass (\d+)$", run.stdout, re.MULTILINE)
    assert run.returncode == 0, run.stdout + run.stderr
    assert passed and int(passed[1] or passed[2]) > 1, run.stdout


def test_the_page_names_no_other_host_and_carries_no_inline_script_or_style() -> None:
    for file in PAGE.rglob("*"):
        text = file.read_text(encoding="utf-8")
        addresses = set(re.findall(r"(?:https?|wss?)://[^\s\"'`]+", text)) - {"http://www.w3.org/2000/svg"}
        assert not addresses, f"{file.name}: {addresses}"
        assert not re.search(r"""(?:href|src)=["']/""", text), f"{file.name}: an address that is not relative"
        if file.suffix == ".html":
            assert not re.search(r"\sstyle=|<style|\son\w+=|<script(?![^>]*\ssrc=)", text), f"{file.name}: inline code"


def test_the_page_offers_the_hookup_that_the_daemon_takes() -> None:
    node = shutil.which("node")
    if node is None:
        pytest.skip("node is not installed: the page's modules were not tested")
    wanted = "{choices: d.CHOICES, fields: d.FIELDS, blank: d.blank('CH1'), ext: d.rolesOf(d.EXT)}"
    code = f"import({json.dumps((PAGE / 'hookupdata.js').as_uri())}).then(d => console.log(JSON.stringify({wanted})))"
    page = json.loads(subprocess.run([node, "-e", code], capture_output=True, text=True, timeout=60, check=True).stdout)
    values = {field: {value for value, *_ in choices} for field, choices in page["choices"].items()}
    assert values == {
        "role": {"", *get_args(Role)},
        "point": set(get_args(Point)),
        "load": set(get_args(Load)),
        "link": set(get_args(Link)),
    }
    assert {"channel", *(field for field, _ in page["fields"])} == set(ClipBody.model_fields)
    assert page["blank"] == ClipBody.model_validate({"channel": "CH1", "role": "red"}).model_dump() | {"role": ""}
    assert {value for value, *_ in page["ext"]} == {"", *EXT_ROLES}
