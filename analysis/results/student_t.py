"""Student's t: how much wider an interval is whose scatter was seen on few readings."""

from __future__ import annotations

from amptally.analysis.results.estimate import COVERAGE_FACTOR

# JCGM 100:2008, table G.2, with more digits: SciPy's stdtrit(ν, 0.975), which the tests compare with. Stored, because
# importing SciPy takes a short report's time.
T_95 = (
    12.706205, 4.3026527, 3.1824463, 2.7764451, 2.5705818, 2.4469119, 2.3646243, 2.3060041, 2.2621572, 2.2281389,
    2.2009852, 2.1788128, 2.1603687, 2.1447867, 2.1314495, 2.1199053, 2.1098156, 2.1009220, 2.0930241, 2.0859634,
    2.0796138, 2.0738731, 2.0686576, 2.0638986, 2.0595386, 2.0555294, 2.0518305, 2.0484071, 2.0452296, 2.0422725,
)  # fmt: skip
NORMAL_95 = 1.959963984540054


def student_t(degrees: int) -> float:
    """t for 95 %, two-sided (JCGM 100:2008, table G.2), for 1 degree of freedom or more.

    Above the stored ones by the expansion about the normal law (Abramowitz and Stegun 26.7.5, from memory), 2e-8 off.
    """
    if degrees < 1:
        raise ValueError(f"{degrees} degrees of freedom")
    if degrees <= len(T_95):
        return T_95[degrees - 1]
    x = NORMAL_95
    terms = (
        (x**3 + x) / 4,
        (5 * x**5 + 16 * x**3 + 3 * x) / 96,
        (3 * x**7 + 19 * x**5 + 17 * x**3 - 15 * x) / 384,
        (79 * x**9 + 776 * x**7 + 1482 * x**5 - 1920 * x**3 - 945 * x) / 92_160,
    )
    return float(x + sum(term / degrees**power for power, term in enumerate(terms, 1)))


def small_sample_factor(degrees: int) -> float:
    """What a 1 σ from so few degrees of freedom is multiplied by, so that 1.96 of it reach as far as t of it."""
    return student_t(degrees) / COVERAGE_FACTOR
