"""The control port: one JSON object a line, for whoever plays the unit and the bench."""

import dataclasses
import json
from collections.abc import Awaitable, Callable
from typing import Any

from .faults import Fault, Faults
from .front_end import changed_front
from .instrument import Instrument
from .settings import BadSetting
from .truth import truth
from .unit import changed_unit


class Control:
    """Answers requests about one instrument; `faults_changed` is awaited before a change of faults is confirmed."""

    def __init__(
        self,
        instrument: Instrument,
        faults: Faults,
        about: dict[str, object],
        faults_changed: Callable[[], Awaitable[None]],
    ) -> None:
        self._instrument = instrument
        self._faults = faults
        self._about = about
        self._faults_changed = faults_changed
        self._requests: dict[str, Callable[[Any], dict[str, object]]] = {
            "set": self._set,
            "front": self._front,
            "fault": self._fault,
            "get": self._get,
        }

    async def respond(self, line: bytes) -> bytes:
        """The answer to one line, with its line feed. A request that fails changes nothing."""
        try:
            answer = {"ok": True, **self._answer(line)}
            await self._faults_changed()
        except BadSetting as error:
            answer = {"error": str(error)}
        return json.dumps(answer).encode() + b"\n"

    def _answer(self, line: bytes) -> dict[str, object]:
        try:
            request = json.loads(line)
        except (ValueError, RecursionError):
            raise BadSetting("A request is one JSON object a line; this line is not JSON.") from None
        if not isinstance(request, dict) or len(request) != 1:
            raise BadSetting(f"A request is an object with one key of {', '.join(self._requests)}.")
        verb, value = next(iter(request.items()))
        if verb not in self._requests:
            raise BadSetting(f"There is no request {json.dumps(verb)}; there are {', '.join(self._requests)}.")
        return self._requests[verb](value)

    def _set(self, values: Any) -> dict[str, object]:
        self._instrument.set_unit(changed_unit(self._instrument.unit, values))
        return {}

    def _front(self, values: Any) -> dict[str, object]:
        self._instrument.set_front(changed_front(self._instrument.front, values))
        return {}

    def _fault(self, name: Any) -> dict[str, object]:
        if name is None:
            self._faults.clear()
        elif isinstance(name, str) and name in set(Fault):
            self._faults.add(Fault(name))
        else:
            raise BadSetting(f"fault must be null or one of {', '.join(Fault)}, not {json.dumps(name)[:80]}.")
        return {}

    def _get(self, what: Any) -> dict[str, object]:
        if what == "truth":
            return {"truth": truth(self._instrument.unit, self._instrument.front)}
        if what == "state":
            return {"state": self._state()}
        raise BadSetting(f'get must be one of "truth", "state", not {json.dumps(what)[:80]}.')

    def _state(self) -> dict[str, object]:
        return {
            "unit": dataclasses.asdict(self._instrument.unit),
            "front": dataclasses.asdict(self._instrument.front),
            "faults": self._faults.names(),
            **self._about,
        }
