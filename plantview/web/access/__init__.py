"""Who may come in: accounts, sessions, keys for programs, roles per route, and the record of all of it.

With accounts off (the usual thing on this computer alone) everybody is ``local``, an operator. With accounts on
nobody sees anything without a session or a key, but for the sign-in page and, if so configured, the wall.
"""

from __future__ import annotations

from plantview.web.access.gate import Access, person_of

__all__ = ["Access", "person_of"]
