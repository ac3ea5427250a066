"""Settings from a TOML file, and the set-up that is in force.

`Setup` and `SetupInForce` are what the running parts share. Reading a settings file needs pydantic, so that part is
imported where it is used: `from .config.settings import load_settings`.
"""

from .setup import Setup, SetupInForce

__all__ = ["Setup", "SetupInForce"]
