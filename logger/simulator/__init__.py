"""The demo cart: a physical model of a seedling-tray cart that emits the same wire bytes as a sensor board.

`simulate` drives it in memory, `python -m amptally.logger.simulator` puts it behind a port. Nothing downstream knows
the difference. What it holds beyond what the analysis models: hysteresis, surface charge and diffusion in the blocks, a
relaxation that is no resistor, temperatures of windings, bridges, fuses and blocks, a loose fuse holder, magnetic
saturation, brush drop, gear friction and free play, rough floor, sensors that bend and wander.
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
