"""Who may use the daemon: tokens on disk, sessions of browsers, and what counts as this computer itself.

`Admission` is what the web face asks; `TokenFile` is what the command line writes; `first_token` is for installing.
"""

from .admission import Admission, Refused, Visitor
from .token_file import TokenFile, first_token
from .tokens import Role, Token

__all__ = ["Admission", "Refused", "Role", "Token", "TokenFile", "Visitor", "first_token"]
