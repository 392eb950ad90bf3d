"""Every verb: its words, its help with an example, and the module that does it. Plain data, nothing heavy."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

Argument = tuple[tuple[str, ...], dict[str, Any]]


@dataclass(frozen=True, slots=True)
class Verb:
    """One verb. `module` has `do(args, out, err) -> exit status`. Of `one_of`, exactly one is given."""

    name: str
    summary: str
    about: str
    example: str
    arguments: tuple[Argument, ...]
    one_of: tuple[Argument, ...] = ()

    @property
    def module(self) -> str:
        return f"harness.cli.{self.name.replace('-', '_')}"


def _arg(*words: str, **options: Any) -> Argument:
    return words, options


JSON = _arg("--json", action="store_true", help="print one JSON document on standard output, nothing else")
FAULT = _arg(
    "--fault",
    action="append",
    default=[],
    metavar="NAME",
    help="seed a single fault of the simulated panel, by its name in `panelproof faults` (may be repeated)",
)
SEED = _arg("--seed", type=int, default=1, help="seed of the simulated panel's spread and of random phases")

CHECK = Verb(
    "check",
    "check files and how they fit together",
    "Check panel, bench, sequence and truth-table files, each alone and a sequence with all it names.\n"
    "Every problem is printed as file:line:column: message.",
    "example: panelproof check demo:th-p1.sequence.yaml",
    (_arg("files", nargs="+", metavar="FILE", help="a file, or demo:NAME for a shipped one"), JSON),
)
SCHEMA = Verb(
    "schema",
    "print the JSON Schema of a kind of file",
    "Print the JSON Schema of a kind of file, for editors that complete and check YAML.",
    "example: panelproof schema panel > panel.schema.json",
    (_arg("kind", choices=("panel", "bench", "sequence"), help="which kind of file"),),
)
TABLE = Verb(
    "table",
    "derive the truth table of a panel from its circuit",
    "Derive the truth table from the circuit: supply on, all devices at rest, settled; then all devices\n"
    "go to the row's positions at the same moment. Breakers stay closed unless set. With --explain, print\n"
    "the path that feeds a coil or load, or where each path is interrupted.",
    "examples: panelproof table demo:th-s0.panel.yaml\n"
    "          panelproof table demo:th-p1.panel.yaml S2=8 --supply 50V\n"
    "          panelproof table demo:th-p1.panel.yaml --against demo:th-p1.table.csv\n"
    "          panelproof table demo:th-p1.panel.yaml --explain Y4 S1=pressed",
    (
        _arg("panel", metavar="PANEL", help="a panel file, or demo:NAME"),
        _arg("positions", nargs="*", metavar="DEVICE=POSITION", help="keep a device in one position"),
        _arg("--supply", metavar="VOLTAGE", help="supply voltage, for example 50V (default: nominal)"),
        _arg("--temperature", metavar="T", default="20 C", help="coil temperature, for example 90C"),
        _arg("--format", choices=("text", "csv", "json", "yaml"), default="text", help="how to print it"),
        _arg(
            "--against", metavar="TABLE", help="compare a hand-written table with it; exit 1 if they differ"
        ),
        _arg("--explain", metavar="TAG", help="the path that feeds this relay coil or load"),
        _arg("--breakers", action="store_true", help="vary the panel's own breakers too"),
        FAULT,
        JSON,
    ),
)
FAULTS = Verb(
    "faults",
    "list every single fault of a panel",
    "List every single fault of the circuit; each name is accepted by --fault.",
    "example: panelproof faults demo:th-p1.panel.yaml --json",
    (_arg("panel", metavar="PANEL", help="a panel file, or demo:NAME"), JSON),
)
WIRING = Verb(
    "wiring",
    "print the hook-up list of a sequence's panel and bench",
    "Print which bench channel goes to which panel terminals, with the cautions, for wiring the bench.",
    "example: panelproof wiring demo:th-p1.sequence.yaml",
    (
        _arg("sequence", metavar="SEQUENCE", help="a sequence file, or demo:NAME"),
        _arg("--bench", metavar="BENCH", help="a bench file in place of the sequence's own"),
        JSON,
    ),
)
RUN = Verb(
    "run",
    "run a sequence and judge the panel",
    "Run a sequence. Without a real bench it runs on the simulated one, over a real Modbus TCP connection\n"
    "on this computer, and says so: SIMULATED, NO PANEL TESTED. Whatever ends the run, the panel's supply\n"
    "and all outputs are switched off.",
    "examples: panelproof run demo:th-p1.sequence.yaml\n"
    "          panelproof run demo:th-p1.sequence.yaml --virtual-time --fault 'K1 coil open'\n"
    "          panelproof run my.sequence.yaml --bench shop.bench.yaml --panel-serial 0042",
    (
        _arg("sequence", metavar="SEQUENCE", help="a sequence file, or demo:NAME"),
        _arg("--bench", metavar="BENCH", help="a bench file in place of the sequence's own"),
        _arg("--virtual-time", action="store_true", help="no wire, no waiting; never with a real board"),
        FAULT,
        _arg("--panel-serial", metavar="N", default="", help="serial number of the panel on a real bench"),
        _arg("--acknowledge", action="store_true", help="the cautions are read and kept"),
        _arg("--logs", metavar="DIR", default="logs", help="where the run's folder goes (default: logs)"),
        _arg("--trace", metavar="FILE", help="write every frame on the bus to this file"),
        SEED,
        JSON,
    ),
)
SERVE = Verb(
    "serve",
    "serve a simulated panel on the wire",
    "Serve the simulated panel and boards on a wire, so that any client can switch outputs and read inputs.\n"
    "On Modbus each board answers to its own unit, from 1; what is set by hand is unit 247. PTY-OR-PORT is\n"
    "`pty` for a pseudo terminal of this computer, whose name is printed, `pty:PATH` for one with a link to\n"
    "it, or a serial port. A pseudo terminal keeps the times of a real line: 11-bit characters, the silence\n"
    "after a frame. Ctrl-C ends it.",
    "examples: panelproof serve demo:th-p1.panel.yaml --bench demo:th-p1.bench.yaml "
    "--modbus-tcp 127.0.0.1:5020\n"
    "          panelproof serve demo:th-s0.panel.yaml --bench demo:th-s0.bench.yaml --modbus-rtu pty:line-a "
    "--baud 9600",
    (
        _arg("panel", metavar="PANEL", help="a panel file, or demo:NAME"),
        _arg("--bench", metavar="BENCH", required=True, help="the bench whose channels are served"),
        _arg("--baud", type=int, metavar="N", help="of the serial line, real or emulated (default: 19200)"),
        _arg("--parity", choices=("none", "even", "odd"), help="of a serial port (default: even)"),
        _arg("--unpaced", action="store_true", help="let a pseudo terminal go as fast as it can"),
        _arg("--turnaround", metavar="TIME", help="what an emulated device takes before it answers"),
        _arg("--clients", type=int, metavar="N", help="TCP clients served at a time; default: any number"),
        FAULT,
        SEED,
    ),
    (
        _arg("--modbus-tcp", metavar="HOST:PORT", help="Modbus TCP; port 0 picks a free one"),
        _arg("--modbus-rtu", metavar="PTY-OR-PORT", help="Modbus RTU on a serial line"),
        _arg("--modbus-rtu-tcp", metavar="HOST:PORT", help="RTU frames on a TCP connection"),
        _arg("--text-line", metavar="PTY-OR-PORT", help="the bench file's text commands on a serial line"),
    ),
)
PORTS = Verb(
    "ports",
    "list the serial ports and how to name them",
    "List every serial port with what is known of it, who has it open, and the name to write into a bench\n"
    "file so that it stays the same when adapters are plugged in again. No port is opened for it.",
    "examples: panelproof ports\n          panelproof ports --json",
    (JSON,),
)
WATCH = Verb(
    "watch",
    "show every channel of a bench live, and switch one output by hand",
    "Show every channel of a bench, live. On a terminal one output at a time can be switched: choose it,\n"
    "and hold the space bar. It goes off when the key is let go (0.8 s after a single press, 0.25 s after\n"
    "its last repeat), after 10 s, at any other key, and with the emergency stop. The supply contactor is\n"
    "one of them. Whatever ends it, all outputs are off. On a pipe: what is there, and what changes.",
    "examples: panelproof watch shop.bench.yaml\n"
    "          panelproof watch demo:th-p1.bench.yaml --panel demo:th-p1.panel.yaml",
    (
        _arg("bench", metavar="BENCH", help="a bench file, or demo:NAME"),
        _arg("--panel", metavar="PANEL", help="the panel on it; a simulated bench needs it"),
        _arg("--acknowledge", action="store_true", help="the cautions are read and kept"),
        _arg("--logs", metavar="DIR", default="logs", help="where the record goes (default: logs)"),
        JSON,
    ),
)
VERIFY = Verb(
    "verify",
    "verify the journals of runs",
    "Verify that no line of a run's journal, and no file of the run, was altered, removed, added or moved.\n"
    "What a chain of hashes without a signature cannot show: a rewrite of the whole run with all its\n"
    "hashes, and a journal that was never sealed cut off at the end of a line.",
    "example: panelproof verify logs/*",
    (_arg("runs", nargs="+", metavar="RUN", help="a run's folder"), JSON),
)

VERBS = (CHECK, SCHEMA, TABLE, FAULTS, WIRING, RUN, SERVE, WATCH, PORTS, VERIFY)
