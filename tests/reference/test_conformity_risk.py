"""JCGM 106:2012 clause 9.5.4, risks of accepting ball bearings, with our distribution function for the measurement.

Radial error motion of the process: gamma with shape 4 and scale 0.25 um; at most 2 um is allowed; standard uncertainty of
a measurement 0.25 um. Published [R], in more digits recomputed [C]: 4.2 % do not conform (0.042380); accepted where 2 um
is read, 0.8 % are accepted wrongly (0.0080191); 0.1 % are where no more than 1.67 um (1.67183) is accepted. The process
is scipy's, the measurement `Spread`, whose unit does not matter.
"""

import pytest
from scipy import integrate, optimize, stats

from peakwhite.daemon.measure.uncertainty import Spread

LIMIT_UM = 2.0
PROCESS = stats.gamma(a=4.0, scale=0.25)
MEASURED = Spread(0.25, 0.0, 0.0)


def accepted_wrongly(accepted_to_um: float) -> float:
    """Probability that a bearing is over the limit and read below what is accepted (JCGM 106 9.3, equation 19)."""

    def over_and_accepted(true_um: float) -> float:
        return float(PROCESS.pdf(true_um)) * MEASURED.below(accepted_to_um - true_um)

    return float(integrate.quad(over_and_accepted, LIMIT_UM, 6.0, epsabs=1e-10)[0])


def test_all_that_is_accepted_without_a_limit_is_the_share_that_does_not_conform() -> None:
    assert accepted_wrongly(100.0) == pytest.approx(0.042380, abs=1e-6)


def test_the_risk_without_a_guard_band() -> None:
    assert accepted_wrongly(LIMIT_UM) == pytest.approx(0.0080191, abs=1e-7)


def test_the_acceptance_limit_for_a_risk_of_a_thousandth() -> None:
    limit_um = optimize.brentq(lambda accepted_to_um: accepted_wrongly(accepted_to_um) - 1e-3, 1.0, 2.0, xtol=1e-7)
    assert limit_um == pytest.approx(1.67183, abs=1e-5)
