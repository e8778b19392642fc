"""The end gauge of the Guide."""

import math

import pytest

from quantize.charge.quantity import Quantity


@pytest.fixture
def end_gauge():
    """Length of the gauge, JCGM 100:2008, equation H.3."""

    def model(length, difference, delta_alpha, theta, alpha, delta_theta):
        return length + difference - length * (delta_alpha * theta + alpha * delta_theta)

    return model


@pytest.fixture
def gauge():
    """Inputs of JCGM 100:2008, H.1, in nm and °C."""
    return {
        "length": Quantity(
            value=50_000_623, standard_uncertainty=25, degrees_of_freedom=18, distribution="t"
        ),
        "difference": Quantity(
            value=215, standard_uncertainty=9.7, degrees_of_freedom=25.6, distribution="t"
        ),
        "delta_alpha": Quantity(
            value=0,
            standard_uncertainty=1e-6 / math.sqrt(3),
            degrees_of_freedom=50,
            distribution="rectangular",
        ),
        "theta": Quantity(value=-0.1, standard_uncertainty=0.41),
        "alpha": Quantity(value=11.5e-6, standard_uncertainty=1.2e-6),
        "delta_theta": Quantity(
            value=0, standard_uncertainty=0.029, degrees_of_freedom=2, distribution="rectangular"
        ),
    }
