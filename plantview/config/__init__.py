"""The plant description: what it may say, cross-checks, problems in the crew's words."""

from __future__ import annotations

from plantview.config.addresses import host_port
from plantview.config.loader import load_plant, read_plant
from plantview.config.overrides import with_addresses

__all__ = ["host_port", "load_plant", "read_plant", "with_addresses"]
