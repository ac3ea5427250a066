"""The link that signs a phone in: under which address, and as a QR code."""

import io
from pathlib import Path

WHITE_ON_BLACK, RESET = "\x1b[97;40m", "\x1b[0m"
LOOPBACK_ONLY = "the link is for this computer alone: for others set host under [http], or give --address; see README, 'Use a phone'"

NO_NETWORK = (
    "there is no network yet, and the link is for this computer alone: put its address into the link, or give --address"
)
UNKNOWN_NAME = "where a phone does not know that name, put {} in its place in the link, or give --address"


def address_for_phones(config: Path | None, given: str | None) -> tuple[str, str]:
    """Where others reach the page, and what is to be said against it: as given, else by the settings. Raises SettingsError.

    A named address goes before that of the socket: a proxy's is the one to use.
    """
    from ..access.outside import outside
    from ..access.peer import is_beyond_loopback
    from ..access.reach import url_here, url_on_network
    from ..config.settings import load_settings

    http = load_settings(config).tables.http
    on_network = url_on_network(http.host, http.port)
    if named := outside([given] if given else http.addresses).urls:
        may_be_unknown = on_network and not given and named[0].startswith("http:")
        return named[0], UNKNOWN_NAME.format(on_network) if may_be_unknown else ""
    if on_network:
        return on_network, ""
    return url_here(http.host, http.port), NO_NETWORK if is_beyond_loopback(http.host) else LOOPBACK_ONLY


def qr_code(text: str) -> str:
    """The QR code as half blocks, two modules a character. White on black is said outright: where the terminal's colours are
    the other way round many phones would not read it."""
    import segno

    drawn = io.StringIO()
    segno.make(text, micro=False).terminal(drawn, border=2, compact=True)
    return "\n".join(f"{WHITE_ON_BLACK}{line}{RESET}" for line in drawn.getvalue().splitlines())
