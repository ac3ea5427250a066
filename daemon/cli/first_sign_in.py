"""How the first phone gets in: what is said once, when the service has been installed, of the first operator's access token."""

import sys
from pathlib import Path

from ...drivers.errors import PeakwhiteError
from .access_link import address_for_phones, qr_code
from .output import say, warn

BOARD = "ADDRESS"


def say_on_this_computer(secret: str, settings: Path) -> None:
    """Address, link and, on a terminal, the QR code. The code comes first: it is not lost where the settings are wrong."""
    from ..access.outside import sign_in_link

    _say_code(secret)
    try:
        url, caution = address_for_phones(settings, None)
    except PeakwhiteError as error:
        warn(str(error))
        return
    link = sign_in_link(url, secret)
    say(f"A phone gets in by this link, or by entering the code at {url}:\n    {link}")
    if sys.stdout.isatty():
        say(qr_code(link))
    if caution:
        warn(caution)


def say_for_an_image(secret: str, settings: Path) -> None:
    """The code, and the link but for the address, which is not known before the image runs."""
    from ..access.outside import sign_in_link
    from ..config.settings import load_settings

    _say_code(secret)
    try:
        port = load_settings(settings).tables.http.port
    except PeakwhiteError as error:
        warn(str(error))
        return
    link = sign_in_link(f"http://{BOARD}:{port}/", secret)
    say(f"Keep it. Once the image runs, a phone gets in by this link, with its address for {BOARD}:\n    {link}")


def _say_code(secret: str) -> None:
    say(f"The first operator's access token, which is shown this once and kept nowhere:\n    {secret}")
