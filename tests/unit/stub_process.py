"""Stands for a process of a plant: says that it is ready, or what is wrong, as the file ``word`` in the plant folder asks."""

from __future__ import annotations

import json
import sys
from pathlib import Path

order = json.loads(sys.argv[1])
word = (Path(order["plant"]) / "word").read_text().strip()
with (Path(order["data"]) / "starts").open("a") as starts:
    starts.write(f"{order['role']} {word}\n")
if word == "refuse":
    sys.stdout.write(json.dumps({"refused": "the port is taken"}) + "\n")
    sys.exit(2)
sys.stdout.write(json.dumps({"ready": order["role"]}) + "\n")
sys.stdout.flush()
sys.stdin.read()
