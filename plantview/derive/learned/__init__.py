"""What each machine is used to: models fitted to its own history, and where they hold."""

from __future__ import annotations

from plantview.derive.learned.models import Learned, Model

__all__ = ["Learned", "Model"]
