"""node-bacnet, a package of npm: where its interpreter and its folder are.

``npm install --ignore-scripts --prefix tests/interop/javascript`` puts it there (tests/run.sh does where npm is),
or PLANTVIEW_JAVASCRIPT_LIBRARIES names another node_modules folder.
"""

from __future__ import annotations

import os
import shutil
from pathlib import Path
from typing import Final

from tests.interop.peers.program import Program

SCRIPTS: Final = Path(__file__).parents[1] / "javascript"
LIBRARIES: Final = Path(os.environ.get("PLANTVIEW_JAVASCRIPT_LIBRARIES", SCRIPTS / "node_modules"))
INTERPRETER: Final = shutil.which("node")
MISSING: Final = INTERPRETER is None or not (LIBRARIES / "node-bacnet").is_dir()
WHY_MISSING: Final = "needs node, and node-bacnet: npm install --ignore-scripts --prefix tests/interop/javascript"


def served(port: int, instance: int, inputs: int) -> Program:
    """Return node-bacnet as a device with so many analog inputs, each at 10 × its number."""
    script = str(SCRIPTS / "device.js")
    return Program((str(INTERPRETER), script, str(port), str(instance), str(inputs)), NODE_PATH=str(LIBRARIES))
