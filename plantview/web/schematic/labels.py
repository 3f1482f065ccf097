"""How wide a text is, so that room is reserved before anything is drawn.

Advance widths of Inter (SIL Open Font License), read from the font's hmtx table, in
thousandths of an em. Other fonts of the page's stack are no wider for the texts in use.
"""

from __future__ import annotations

from typing import Final

_CHARACTERS: Final = "".join(chr(code) for code in range(32, 127)) + "°²³µΔ·–—…×≈→"
_REGULAR: Final = """
281 278 403 631 638 812 639 222 362 362 500 659 280 460 276 357 625 464 605 636 642 608 624 571 616 624 276 280 659
659 659 507 936 676 651 727 719 598 587 743 740 264 543 652 562 889 753 761 635 761 639 638 642 741 676 949 642 665
625 362 357 362 469 452 497 564 621 558 621 582 361 609 591 237 237 544 237 869 585 597 609 609 372 523 364 581 557
812 540 557 541 362 327 362 659 455 420 430 622 676 276 500 1000 821 659 659 955
"""
_BOLD: Final = """
232 325 392 650 655 859 674 209 409 409 565 680 303 469 298 390 688 489 630 659 678 645 660 595 661 660 298 303 680
680 680 562 1031 748 661 752 727 613 585 761 746 281 570 690 567 915 735 782 648 783 656 655 668 729 748 1036 714 724
667 409 390 409 488 477 497 580 635 587 635 598 386 633 624 272 272 582 272 912 622 614 632 632 409 562 388 622 586
850 574 586 572 409 374 409 680 460 424 442 667 748 298 500 1000 799 680 680 955
"""
_TABULAR: Final = {False: 640, True: 660}
"""Every digit under ``font-variant-numeric: tabular-nums``."""
_UNKNOWN: Final = 700

CAP_HEIGHT: Final = 0.727
DESCENT: Final = 0.21
LEAST_SQUEEZE: Final = 0.75
"""A text may be set so much narrower than usual before it is shortened."""
BOLD_SPACING: Final = 0.02
"""Letter spacing of bold texts, in em, as the stylesheet sets it."""


def _table(widths: str, bold: bool) -> dict[str, int]:
    table = dict(zip(_CHARACTERS, map(int, widths.split()), strict=True))
    return table | dict.fromkeys("0123456789", _TABULAR[bold])


_WIDTHS: Final = {False: _table(_REGULAR, False), True: _table(_BOLD, True)}


def width(text: str, size: float, bold: bool = False, spacing: float = 0.0) -> float:
    """Return the width of a text in drawing units; ``spacing`` is letter spacing in em."""
    table = _WIDTHS[bold]
    return size * (sum(table.get(letter, _UNKNOWN) for letter in text) / 1000 + spacing * len(text))


def _reach(text: str, size: float, bold: bool) -> float:
    """Return the width of a name: bold ones are set wider."""
    return width(text, size, bold, BOLD_SPACING if bold else 0.0)


def shortened(text: str, room: float, size: float, bold: bool = False) -> str:
    """Return the text, or as much of it as fits with an ellipsis in the middle.

    The end is kept because machine names differ there (``Chilled water pump 3``).
    """
    if _reach(text, size, bold) <= room:
        return text
    for keep in range(len(text) - 1, 1, -1):
        tail = keep // 2
        candidate = text[: keep - tail].rstrip() + "…" + text[len(text) - tail :].lstrip()
        if _reach(candidate, size, bold) <= room:
            return candidate
    return "…"


def squeezed(text: str, room: float, size: float, bold: bool = False) -> tuple[str, float]:
    """Return the text and the width into which it is to be set: none (0), or narrower where a little too long."""
    if room < _reach(text, size, bold) <= room / LEAST_SQUEEZE:
        return text, room
    return shortened(text, room, size, bold), 0.0


def wrapped(text: str, room: float, size: float, bold: bool = False) -> tuple[str, ...]:
    """Return the text in one line or two; what two do not hold is left out of the middle of the second."""
    if _reach(text, size, bold) <= room:
        return (text,)
    words = text.split()
    for keep in range(len(words) - 1, 0, -1):
        first = " ".join(words[:keep])
        if _reach(first, size, bold) <= room:
            return first, shortened(" ".join(words[keep:]), room, size, bold)
    return (shortened(text, room, size, bold),)
