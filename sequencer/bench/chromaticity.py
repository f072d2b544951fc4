"""Where a colour lies among all that can be seen: CIE 1976 u', v', and the curve of pure colours around them.

u', v' because equal distances there are nearer to equally seen ones than in x, y (CIE 15:2018, 8.1, the clause from
memory). The curve comes from the colour-matching functions of the CIE 1931 standard observer (2 degrees, 1 nm steps)
that coloraide carries; nothing is copied here.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

WAVELENGTHS_NM = range(380, 701, 5)
"""Beyond these the curve stands still: its ends lie within 0.001 of their neighbours."""


@lru_cache(maxsize=1)
def spectral_locus() -> tuple[tuple[int, float, float], ...]:
    """Wavelength (nm), u', v' of pure colours.

    >>> [(nm, round(u, 3), round(v, 3)) for nm, u, v in spectral_locus() if nm in (450, 520, 600)]
    [(450, 0.216, 0.055), (520, 0.023, 0.584), (600, 0.404, 0.539)]
    """
    from coloraide.cmfs import CIE_1931_2DEG  # noqa: PLC0415 - heavy

    matching = dict(CIE_1931_2DEG.items())
    return tuple((nm, *_uv(*matching[nm])) for nm in WAVELENGTHS_NM)


def uv_of(colour: str) -> tuple[float, float]:
    """u', v' of an sRGB colour; black, which has none, lies at the white of D65.

    >>> [tuple(round(c, 4) for c in uv_of(c)) for c in ("#ffffff", "#ff0000", "#000000")]
    [(0.1978, 0.4683), (0.4507, 0.5229), (0.1978, 0.4683)]
    """
    from coloraide import Color  # noqa: PLC0415 - heavy

    xyz: Any = Color(colour).convert("xyz-d65")
    x, y, z = (float(c) for c in xyz.coords())
    return uv_of("#ffffff") if x + y + z <= 1e-9 else _uv(x, y, z)


def _uv(x: float, y: float, z: float) -> tuple[float, float]:
    """u' = 4X / (X + 15Y + 3Z), v' = 9Y / (X + 15Y + 3Z), CIE 15:2018."""
    below = x + 15 * y + 3 * z
    return 4 * x / below, 9 * y / below
