"""`python -m peakwhite.simulated_scope`: the instrument as a process of its own."""

import argparse
import asyncio
import contextlib
import json
import os
import signal
import sys
import threading
from pathlib import Path

from .adc import Adc
from .clock import FastClock, RealClock
from .control import Control
from .dialects import DIALECTS
from .faults import Fault, Faults
from .hislip import hislip_listener
from .instrument import Instrument
from .settings import BadSetting
from .transport import HOST, control_listener, scpi_listener
from .unit import Unit
from .unit_settings import changed_unit
from .vxi11 import vxi11_listener


def main() -> int:
    """Runs until standard input closes, SIGTERM or SIGINT. Status 2: arguments, 3: a port is taken."""
    options = _parser().parse_args()
    if options.dialects:
        print(json.dumps({name: dialect.default_identity for name, dialect in DIALECTS.items()}))
        return 0
    try:
        unit = changed_unit(Unit(), json.loads(options.unit.read_bytes())) if options.unit else Unit()
    except (OSError, ValueError, BadSetting) as error:
        print(f"simulated scope: {options.unit}: {error}", file=sys.stderr)
        return 2
    try:
        asyncio.run(_run(options, unit))
    except OSError as error:
        print(f"simulated scope: {error.strerror or error}; choose another port", file=sys.stderr)
        return 3
    return 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="peakwhite.simulated_scope",
        description=main.__doc__,
        epilog="\n".join(["faults:", *(f"  {fault:24}{fault.does}" for fault in Fault)]),
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--port", type=int, default=0, help="TCP port of SCPI, 0 for any free one")
    parser.add_argument("--vxi11", type=int, metavar="PORT", help="serve VXI-11 too; its TCP port, 0 for any free one")
    parser.add_argument("--hislip", type=int, metavar="PORT", help="serve HiSLIP too; its TCP port, 0 for any free one")
    parser.add_argument("--control", type=int, default=0, help="TCP port of the JSON control, 0 for any free one")
    parser.add_argument("--dialect", choices=sorted(DIALECTS), default="curve")
    parser.add_argument(
        "--dialects", action="store_true", help="print what each dialect calls itself, as JSON, and end"
    )
    parser.add_argument("--identity", help="what *IDN? answers instead of the dialect's own")
    parser.add_argument(
        "--channels", type=int, choices=(2, 4), default=4, help="of the model; its identity tells two by a number"
    )
    parser.add_argument("--bits", type=int, choices=(8, 12), help="of the converter; left out, the dialect's own")
    parser.add_argument("--clock", choices=("real", "fast"), default="real", help="fast: no waiting for acquisitions")
    parser.add_argument("--seed", type=int, help="fixes noise and the instants of captures")
    parser.add_argument("--unit", type=Path, help='JSON file with the object of a "set" request')
    parser.add_argument(
        "--fault",
        type=Fault,
        choices=list(Fault),
        action="append",
        default=[],
        metavar="NAME",
        help="begin with this fault, of those below; may be given several times",
    )
    return parser


async def _run(options: argparse.Namespace, unit: Unit) -> None:
    faults = Faults()
    for fault in options.fault:
        faults.add(fault)
    seed = options.seed if options.seed is not None else int.from_bytes(os.urandom(4))
    clock = RealClock() if options.clock == "real" else FastClock()
    dialect = DIALECTS[options.dialect]
    adc = Adc(options.bits or dialect.bits, dialect.codes_per_div)
    about = {"dialect": options.dialect, "bits": adc.bits, "clock": options.clock, "seed": seed}
    instrument = Instrument(adc, clock, seed, unit, dialect.divisions, options.channels)
    face = dialect(instrument, faults, options.identity or _identity(dialect.default_identity, options.channels))
    ways = {"scpi": (scpi_listener(face), options.port, f"TCPIP0::{HOST}::{{}}::SOCKET")}
    if options.vxi11 is not None:
        ways["vxi11"] = (vxi11_listener(face), options.vxi11, f"TCPIP0::{HOST},{{}}::inst0::INSTR")
    if options.hislip is not None:
        ways["hislip"] = (hislip_listener(face), options.hislip, f"TCPIP0::{HOST}::hislip0,{{}}::INSTR")

    switched_off = False

    async def listen_or_refuse() -> None:
        nonlocal switched_off
        if switched_off and Fault.SWITCHED_OFF not in faults:
            face.switch_on()
        switched_off = Fault.SWITCHED_OFF in faults
        for listener, _, _ in ways.values():
            if switched_off:
                await listener.end()
            else:
                await (listener.close() if Fault.REFUSE_CONNECTIONS in faults else listener.open())

    control = control_listener(Control(face, about, listen_or_refuse))
    for listener, port, _ in ways.values():
        await listener.open(port)
    await control.open(options.control)
    await listen_or_refuse()
    ended = _end_wanted()
    resources = {name: resource.format(listener.port) for name, (listener, _, resource) in ways.items()}
    print(json.dumps({**resources, "control": control.port}), flush=True)
    await ended.wait()
    for listener, _, _ in ways.values():
        await listener.end()
    await control.end()


def _identity(of_four: str, channels: int) -> str:
    """A dialect's own identity; a model of two channels is the one with 1002 to its name."""
    maker, model, rest = of_four.split(",", 2)
    return of_four if channels == 4 else f"{maker},{model}-1002,{rest}"


def _end_wanted() -> asyncio.Event:
    """Set when standard input closes or a signal asks for the end."""
    loop, ended = asyncio.get_running_loop(), asyncio.Event()
    for wanted in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(wanted, ended.set)

    def wait_for_end_of_input() -> None:  # os.read, since sys.stdin's lock would hold up the interpreter's end
        with contextlib.suppress(OSError):
            while os.read(0, 4096):
                pass
        with contextlib.suppress(RuntimeError):  # the loop is closed: a signal was first
            loop.call_soon_threadsafe(ended.set)

    threading.Thread(target=wait_for_end_of_input, daemon=True).start()
    return ended


if __name__ == "__main__":
    sys.exit(main())
