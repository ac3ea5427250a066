"""The token that a command of this computer sends to a daemon that wants one of it too."""

import os

VARIABLE = "PEAKWHITE_TOKEN"
"""In the environment: the code of an access token."""


def token_header() -> dict[str, str]:
    """The header with the code that the environment has; none where it has none."""
    code = os.environ.get(VARIABLE)
    return {"Authorization": f"Bearer {code}"} if code else {}
