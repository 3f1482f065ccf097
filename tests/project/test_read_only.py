"""Read-only by default is a fact of what is loaded, not of what is hidden."""

from __future__ import annotations

import subprocess
import sys

import pytest

PROCESSES = {
    "field": "import plantview.service.__main__",
    "web": "import plantview.web.__main__",
    "terminal": "import plantview.cli",
}
LIST = "import sys, json; print(json.dumps(sorted(name for name in sys.modules if name.startswith('plantview'))))"


@pytest.mark.parametrize("process", PROCESSES)
def test_no_process_loads_anything_that_can_write_to_equipment(process: str) -> None:
    ran = subprocess.run(
        [sys.executable, "-c", f"{PROCESSES[process]}; {LIST}"], capture_output=True, text=True, check=True, timeout=20
    )
    loaded = ran.stdout
    assert "plantview.config" in loaded
    assert "plantview.commands" not in loaded
    assert "_write" not in loaded


def test_readers_have_no_way_to_write() -> None:
    from plantview.drivers import bacnet_network, bacnet_reader, modbus_reader

    for module in (bacnet_network, bacnet_reader, modbus_reader):
        ours = [
            value for value in vars(module).values() if isinstance(value, type) and value.__module__ == module.__name__
        ]
        assert ours
        assert not [f"{one.__name__}.{name}" for one in ours for name in dir(one) if "write" in name.lower()]
