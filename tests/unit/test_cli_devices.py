"""``plantview devices`` on paper: what a technician reads, never wider than 80 columns."""

from __future__ import annotations

from typing import Any

from plantview.cli_devices import device_lines, network_lines

NOW_MS = 1_764_000_000_000
ROW: dict[str, Any] = {
    "id": "CH-1-PANEL",
    "protocol": "modbus",
    "unit": 3,
    "station": "192.168.1.5:502",
    "state": "answering",
    "period_s": 5.0,
    "last_answer_ms": NOW_MS - 3_000,
    "cycle_ms": 42,
    "busy_pct": 0.84,
    "requests": 1_234,
    "failures": {},
    "skipped": 0,
    "last_error": "",
    "notices": {},
}


def test_a_device_that_answers_takes_two_lines() -> None:
    assert device_lines(ROW, NOW_MS) == [
        "CH-1-PANEL           answers            3 s    42 ms   0.8%      1234      0",
        "  192.168.1.5:502, unit 3",
    ]


def test_trouble_is_spelled_out_below_the_device() -> None:
    row = {
        **ROW,
        "state": "silent",
        "last_answer_ms": None,
        "cycle_ms": None,
        "skipped": 4,
        "failures": {"silent": 9, "unusable": 1},
        "last_error": "no answer in 3 s",
        "notices": {"clock": "its clock is 4000 s behind -> set it"},
    }
    lines = device_lines(row, NOW_MS)
    assert lines[0].split() == ["CH-1-PANEL", "SILENT", "never", "0.8%", "1234", "10"]
    assert "  failures: 9 silent, 1 unusable; last: no answer in 3 s" in lines
    assert "  its clock is 4000 s behind -> set it" in lines
    assert "  4 cycles skipped: the device is slower than its period of 5 s" in lines


def test_no_line_is_wider_than_a_terminal() -> None:
    row = {**ROW, "id": "A" * 40, "failures": {"refused": 3}, "last_error": "refused by the device: " + "illegal " * 30}
    network = {
        "name": "BACnet adapter 192.168.10.5/24 port 47808",
        "devices": 25,
        "requests_per_s": 12.5,
        "requests_per_s_max": 200.0,
        "bbmd": "192.168.20.1:47808",
        "registration": "no answer from the BBMD",
        "duplicates": [
            {"instance": 77, "device": "BC-1", "quarantined": [f"192.168.1.{number}" for number in range(8)]}
        ],
    }
    lines = device_lines(row, NOW_MS) + network_lines(network)
    assert max(map(len, lines)) <= 80
    assert any("foreign device at 192.168.20.1:47808: no answer from the BBMD" in line for line in lines)
    assert any("instance 77 exists twice" in line for line in lines)


def test_a_path_over_its_budget_says_what_to_do() -> None:
    lines = network_lines(
        {"name": "Modbus TCP 192.168.1.5:502", "devices": 4, "busy_pct": 81.0, "busy_max_pct": 70, "over_budget": True}
    )
    assert lines == [
        "Modbus TCP 192.168.1.5:502: 4 devices, busy 81.0 % of at most 70 %",
        "  OVER ITS BUDGET -> poll less often, or fewer points",
    ]
