"""`panelproof ports`: the serial ports, what is known of each, and how to name it in a bench file."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from typing import Any, TextIO

from harness.bench.port_info import Named, named
from harness.bench.registry import port_finder
from harness.cli.output import print_json

NONE = (
    "no serial port found; is the adapter plugged in, its cable whole, its driver installed? A virtual"
    " machine sees only ports that are handed to it"
)


def do(args: argparse.Namespace, out: TextIO, err: TextIO) -> int:  # noqa: ARG001 - every verb has this shape
    """List them. 0, also when there are none."""
    ports = named(port_finder()())
    if args.json:
        print_json({"ports": [as_json(port) for port in ports]}, out)
        return 0
    print("\n\n".join("\n".join(lines_of(port)) for port in ports) or NONE, file=out)
    return 0


def as_json(found: Named) -> dict[str, Any]:
    """One port for --json; null where the system does not say."""
    port = found.port
    return {
        "device": port.device,
        "description": port.description or None,
        "maker": port.maker or None,
        "product": port.product or None,
        "usb": port.usb or None,
        "serial number": port.serial_number or None,
        "location": port.location or None,
        "latency timer ms": port.latency_ms,
        "taken": None if port.taken_by is None else bool(port.taken_by),
        "taken by": port.taken_by or None,
        "name": found.name,
        "why": found.why,
    }


def lines_of(found: Named) -> list[str]:
    """One port for a person: its device, what is known, and what to write."""
    port = found.port
    said = [f"{key:<15} {value}" for key, value in _known(found) if value]
    return [
        port.device,
        *(f"  {line}" for line in said),
        f"  {'write':<15} port: {found.name}",
        f"  {'':<15} {found.why}",
    ]


def _known(found: Named) -> Sequence[tuple[str, str]]:
    port = found.port
    described = "" if port.description in {port.product, port.device.rpartition("/")[2]} else port.description
    latency = "" if port.latency_ms is None else f"{port.latency_ms} ms"
    coarse = "; a run sets 1 ms where it has the rights" if (port.latency_ms or 0) > 1 else ""
    return (
        ("description", described),
        ("maker", port.maker),
        ("product", port.product),
        ("USB kind", port.usb),
        ("serial number", port.serial_number or ("none" if port.usb else "")),
        ("location", port.location),
        ("latency timer", latency + coarse),
        ("taken by", port.taken_by or ""),
    )
