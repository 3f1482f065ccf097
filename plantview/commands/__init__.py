"""Commands to equipment: arm, stage, commit, verify, lease, release. Loaded only where writing is enabled.

    arm ------> stage ------> commit ------> verify ------> lease ------> release
    a person,   everything    one frame,     what the       it ends by    one frame,
    a machine,  to be seen    intent on      device shows   itself        proven by
    a reason    beforehand    disk first     afterwards                   reading

Nothing here bypasses a safety of a machine. A command is no lockout: lock and tag at the disconnect.
"""

from __future__ import annotations

from plantview.commands.desk import Desk

__all__ = ["Desk"]
