"""The udev rules are well formed, and name serial ports as the how-to says."""

import re
from pathlib import Path

import pytest

REPOSITORY = Path(__file__).resolve().parents[2]
RULES = REPOSITORY / "deploy" / "udev" / "99-goodwater-serial.rules"

# udev(7), "Rules files": keys that match (with == or !=) and keys that assign (with =, += or :=).
MATCH = re.compile(r'(ACTION|SUBSYSTEMS?|KERNELS?|ENV\{\w+\}|ATTRS?\{\w+\})(==|!=)"([^"]*)"')
ASSIGN = re.compile(r'(SYMLINK|GROUP|MODE|GOTO|LABEL|ENV\{\w+\})(\+=|:=|=)"([^"]*)"')


def rules() -> list[str]:
    """Return the lines that are rules, those commented out as examples among them."""
    text = RULES.read_text(encoding="utf-8")
    return [line.removeprefix("#") for line in text.splitlines() if re.match(r"#?[A-Z]", line)]


def given(line: str, device: dict[str, str]) -> dict[str, str] | None:
    """Return what one rule assigns to a device, or None where it does not match."""
    assigned = {}
    for clause in re.split(r",\s+", line):
        match = MATCH.fullmatch(clause)
        if match:
            key, operator, pattern = match.groups()
            value = device.get(re.sub(r"ENV\{(\w+)\}", r"\1", key), "")
            if (value != "" if pattern == "?*" else value == pattern) != (operator == "=="):
                return None
        else:
            key, _, value = ASSIGN.fullmatch(clause).groups()  # type: ignore[union-attr]  # the first test holds it
            assigned[key] = re.sub(r"\$env\{(\w+)\}", lambda name: device.get(name.group(1), ""), value)
    return assigned


def named(device: dict[str, str]) -> dict[str, str]:
    """Return all that the rules give a device, following GOTO."""
    result: dict[str, str] = {}
    target = None
    for line in RULES.read_text(encoding="utf-8").splitlines():
        if not line or line.startswith("#"):
            continue
        assigned = given(line, device)
        if target is not None and (assigned or {}).get("LABEL") != target:
            continue
        target = (assigned or {}).get("GOTO")
        result |= assigned or {}
    return {key: value for key, value in result.items() if key not in ("GOTO", "LABEL")}


USB = {"ACTION": "add", "SUBSYSTEM": "tty", "SUBSYSTEMS": "usb", "ID_USB_INTERFACE_NUM": "00"}


@pytest.mark.parametrize("line", rules())
def test_every_clause_is_a_key_an_operator_and_a_quoted_value(line: str) -> None:
    clauses = re.split(r",\s+", line)
    assert all(MATCH.fullmatch(clause) or ASSIGN.fullmatch(clause) for clause in clauses), line


def test_every_jump_has_its_label() -> None:
    text = "\n".join(rules())
    assert set(re.findall(r'GOTO="(\w+)"', text)) == set(re.findall(r'LABEL="(\w+)"', text))


def test_an_adapter_with_a_serial_number_is_named_by_it() -> None:
    found = named({**USB, "ID_SERIAL_SHORT": "A10XYZ12", "ID_PATH": "pci-0000:00:14.0-usb-0:2:1.0"})
    assert found == {"SYMLINK": "goodwater/A10XYZ12-00", "GROUP": "dialout", "MODE": "0660"}


def test_an_adapter_without_one_is_named_by_its_socket() -> None:
    found = named({**USB, "ID_PATH": "platform-usb-0:1.3:1.0"})
    assert found == {"SYMLINK": "goodwater/at-platform-usb-0:1.3:1.0", "GROUP": "dialout", "MODE": "0660"}


def test_two_ports_of_one_adapter_get_two_names() -> None:
    names = {
        named({**USB, "ID_SERIAL_SHORT": "A1", "ID_USB_INTERFACE_NUM": n})["SYMLINK"] for n in ("00", "01")
    }
    assert len(names) == 2


@pytest.mark.parametrize(
    "changed", [{"SUBSYSTEM": "block"}, {"SUBSYSTEMS": "pci"}, {"ACTION": "remove"}], ids=str
)
def test_other_devices_are_left_alone(changed: dict[str, str]) -> None:
    assert named({**USB, "ID_SERIAL_SHORT": "A1", **changed}) == {}
