"""The demo cart: a physical model of a seedling-tray cart that emits the same wire bytes as a sensor board.

`simulate` drives it in memory, `python -m amptally.logger.simulator` serves it on a port. Nothing downstream sees the
difference. It contains effects that the analysis does not model: hysteresis, surface charge and diffusion in the
blocks, a nonlinear relaxation, temperatures of windings, bridges, fuses and blocks, a loose fuse holder, magnetic
saturation, brush drop, gear friction and backlash, a rough floor, sensors with nonlinearity and drift.
"""

from amptally.logger.simulator.draw import draw_cart, draw_drive, draw_scenario, draw_wander, scaled
from amptally.logger.simulator.drive import Cart, Drive, simulate
from amptally.logger.simulator.parameters import CartParameters, DriveParameters, Scenario

__all__ = [
    "Cart",
    "CartParameters",
    "Drive",
    "DriveParameters",
    "Scenario",
    "draw_cart",
    "draw_drive",
    "draw_scenario",
    "draw_wander",
    "scaled",
    "simulate",
]
