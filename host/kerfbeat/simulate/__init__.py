"""What would a machine with known truth do?

A saw, a grinder or any other described machine as physics, and the pulses that its sensors give: for logs with known
truth (`simulate_log`), for driving an emulated board (`edge_blocks`) and as a port that behaves like a board (`sim://`,
see `line`).  Nothing here knows the estimators that it judges.
"""

from kerfbeat.simulate.parameters import Parameters
from kerfbeat.simulate.record import simulate_log
from kerfbeat.simulate.scenario import SCENARIOS
from kerfbeat.simulate.world import EdgeBlock, Stretch, World, edge_blocks

__all__ = ["SCENARIOS", "EdgeBlock", "Parameters", "Stretch", "World", "edge_blocks", "simulate_log"]
