"""`panelproof ports`: what is known of each port, which name stays the same, and that no port is opened."""

from __future__ import annotations

import io
import json
import os
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import pytest

import harness.cli.ports as verb
from drivers import port_list
from harness.bench.port_info import PortInfo, named
from harness.cli.main import main


def usb(device: str = "/dev/ttyUSB0", **known: object) -> PortInfo:
    values: dict[str, object] = {"vid": 0x1234, "pid": 0x5678, "location": "1-2", "serial_number": "A1"}
    values |= {"by_id": f"/dev/serial/by-id/{device[5:]}", "by_path": f"/dev/serial/by-path/{device[5:]}"}
    return PortInfo(device=device, **(values | known))  # type: ignore[arg-type]


ID, PATH = "/dev/serial/by-id/ttyUSB0", "/dev/serial/by-path/ttyUSB0"


@pytest.mark.parametrize(
    ("port", "name", "why"),
    [
        pytest.param(usb(), ID, "stays with the adapter", id="serial number"),
        pytest.param(usb(serial_number=""), PATH, "it has no serial number", id="no serial number"),
        pytest.param(usb(by_id=""), PATH, "stays with the socket", id="no name by id"),
        pytest.param(usb(by_id="", by_path=""), "/dev/ttyUSB0", "may be another one", id="no links at all"),
        pytest.param(PortInfo(device="/dev/ttyS0"), "/dev/ttyS0", "built in", id="built in"),
        pytest.param(
            usb("COM3", by_id="", by_path=""),
            "COM3",
            "Windows keeps this number for the adapter",
            id="Windows",
        ),
        pytest.param(
            usb("COM3", by_id="", by_path="", serial_number=""),
            "COM3",
            "for the socket, because the adapter has no serial number",
            id="Windows, no serial number",
        ),
    ],
)
def test_the_name_to_use(port: PortInfo, name: str, why: str) -> None:
    (found,) = named([port])
    assert found.name == name
    assert why in found.why


def test_two_adapters_with_one_serial_number_are_told_apart_by_their_sockets() -> None:
    first, second = usb(), usb("/dev/ttyUSB1", location="1-3")
    assert [found.name for found in named([first, second])] == [PATH, "/dev/serial/by-path/ttyUSB1"]
    assert "several adapters have its serial number" in named([first, second])[0].why


def test_one_adapter_with_two_ports_keeps_its_serial_number() -> None:
    ports = [usb(location="1-2:1.0"), usb("/dev/ttyUSB1", location="1-2:1.1")]
    assert [found.name for found in named(ports)] == [ID, "/dev/serial/by-id/ttyUSB1"]


def info(device: str, **known: object) -> SimpleNamespace:
    names = ("description", "manufacturer", "product", "vid", "pid", "serial_number", "location")
    return SimpleNamespace(device=device, **(dict.fromkeys(names) | known))


@pytest.fixture
def system(tmp_path: Path) -> Callable[[], list[PortInfo]]:
    """A made-up system: two adapters and a built-in port, links, a latency timer, one port in use."""
    dev = tmp_path / "dev"
    dev.mkdir()
    for name in ("ttyUSB0", "ttyUSB10", "ttyUSB2"):
        (dev / name).touch()
    for kind, link, name in (("by-id", "usb-adapter-A1", "ttyUSB0"), ("by-path", "pci-1-2", "ttyUSB2")):
        (tmp_path / "links" / kind).mkdir(parents=True)
        (tmp_path / "links" / kind / link).symlink_to(dev / name)
    timer = tmp_path / "sys/class/tty/ttyUSB0/device/latency_timer"
    timer.parent.mkdir(parents=True)
    timer.write_text("16\n")
    process = tmp_path / "proc/4711"
    (process / "fd").mkdir(parents=True)
    (process / "comm").write_text("terminal\n")
    (process / "fd/3").symlink_to(dev / "ttyUSB2")
    (tmp_path / "proc/self/fd").mkdir(parents=True)
    adapter = {"vid": 0x1234, "pid": 0x5678}
    listed = [
        info(str(dev / "ttyUSB10"), description="n/a", **adapter, product="Bad\x1b[2Jname"),
        info(str(dev / "ttyUSB2"), **adapter, location="1-2", product="Adapter"),
        info(str(dev / "ttyUSB0"), **adapter, serial_number="A1", location="1-1", manufacturer="Maker"),
    ]
    return lambda: port_list.found_ports(
        lambda: listed,  # type: ignore[arg-type, return-value]
        links=tmp_path / "links",
        sysfs=tmp_path / "sys",
        proc=tmp_path / "proc",
    )


def test_what_the_system_keeps_in_files_is_found(
    system: Callable[[], list[PortInfo]], tmp_path: Path
) -> None:
    first, second, third = system()
    assert [port.device.rpartition("/")[2] for port in (first, second, third)] == [
        "ttyUSB0",
        "ttyUSB2",
        "ttyUSB10",
    ]
    assert first.by_id == str(tmp_path / "links/by-id/usb-adapter-A1")
    assert (first.latency_ms, first.taken_by, first.usb) == (16, "", "1234:5678")
    assert second.by_path == str(tmp_path / "links/by-path/pci-1-2")
    assert (second.latency_ms, second.taken_by) == (None, "process 4711 (terminal)")
    assert third.description == ""
    assert third.product.isprintable()


def test_no_port_is_opened_for_the_list(
    system: Callable[[], list[PortInfo]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Neither by pyserial nor by the system's own call; the list that pyserial itself makes included."""
    import serial

    opened: list[str] = []
    really = os.open

    def opening(path: str, *words: object, **more: object) -> int:
        opened.append(str(path))
        return really(path, *words, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(os, "open", opening)
    monkeypatch.setattr(serial.Serial, "open", lambda self: opened.append(f"serial {self.port}"))
    system()
    port_list.found_ports()
    assert [name for name in opened if "tty" in name or name.startswith("serial")] == []
    with pytest.raises(FileNotFoundError):
        os.open("/nowhere/tty", os.O_RDONLY)
    assert opened[-1] == "/nowhere/tty"  # the trap works


def test_a_system_that_does_not_tell_who_has_a_port(tmp_path: Path) -> None:
    (port,) = port_list.found_ports(
        lambda: [info("COM3")],  # type: ignore[list-item]
        links=tmp_path,
        sysfs=tmp_path,
        proc=tmp_path / "no",
    )
    assert port.taken_by is None


def answer(monkeypatch: pytest.MonkeyPatch, ports: list[PortInfo], *words: str) -> tuple[int, str, str]:
    monkeypatch.setattr(verb, "port_finder", lambda: lambda: ports)
    out, err = io.StringIO(), io.StringIO()
    status = main(["ports", *words], out=out, err=err)
    return status, out.getvalue(), err.getvalue()


def test_ports_for_a_person(monkeypatch: pytest.MonkeyPatch) -> None:
    port = usb(maker="Maker", product="Adapter", latency_ms=16, taken_by="process 4711 (terminal)")
    status, out, err = answer(monkeypatch, [port, PortInfo(device="/dev/ttyS0", description="ttyS0")])
    assert (status, err) == (0, "")
    lines = [" ".join(line.split()) for line in out.splitlines()]
    assert lines == [
        "/dev/ttyUSB0",
        "maker Maker",
        "product Adapter",
        "USB kind 1234:5678",
        "serial number A1",
        "location 1-2",
        "latency timer 16 ms; a run sets 1 ms where it has the rights",
        "taken by process 4711 (terminal)",
        f"write port: {ID}",
        "stays with the adapter, by its serial number",
        "",
        "/dev/ttyS0",
        "write port: /dev/ttyS0",
        "built in, the name stays",
    ]


def test_ports_as_json(monkeypatch: pytest.MonkeyPatch) -> None:
    status, out, _ = answer(monkeypatch, [usb(latency_ms=1, taken_by="")], "--json")
    document = json.loads(out)
    assert (status, document["format"]) == (0, 1)
    (port,) = document["ports"]
    assert (port["device"], port["name"], port["usb"]) == ("/dev/ttyUSB0", ID, "1234:5678")
    assert (port["latency timer ms"], port["taken"], port["taken by"], port["maker"]) == (
        1,
        False,
        None,
        None,
    )


@pytest.mark.parametrize("words", [(), ("--json",)], ids=["text", "json"])
def test_no_port_is_no_error_and_says_what_to_try(
    monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...]
) -> None:
    status, out, _ = answer(monkeypatch, [], *words)
    assert status == 0
    if words:
        assert json.loads(out)["ports"] == []
    else:
        assert out.startswith("no serial port found; is the adapter plugged in")
        assert len(out.splitlines()) == 1


def test_the_ports_of_this_computer() -> None:
    """Whatever there is here: it answers."""
    out = io.StringIO()
    assert main(["ports", "--json"], out=out, err=io.StringIO()) == 0
    assert isinstance(json.loads(out.getvalue())["ports"], list)
