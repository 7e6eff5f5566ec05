"""In which order are the passes cut, and where is each entered? The shortest travel that keeps precedence.

A pass is a cluster of options: a closed pass may be entered at any vertex, an open one from either end, and a
winding axis may stand in any of its turns. With the time of the slowest axis as the distance this is a
generalised travelling salesman problem (Fischetti, Salazar Gonzalez, Toth, Operations Research 45(3), 1997,
378-394) with precedence. Time over distance is concave, so the time is a metric and symmetric: turning a
stretch round costs nothing to judge.

    poses   passes and axes as the search sees them     ways     how far; how a function is compiled
    net     every option of every pass, as tables       nearest  what is near, the best entries, compiled
    search  the search over a net                       moves    what a move does to a tour, compiled
    route   blocks by phase and cutter, home to home    kernel   which moves and kicks are tried, compiled
    check   an order judged by other code

The search: nearest neighbour; 2-opt and 3-opt over neighbour lists with change of option, from a work queue;
then kicks (some neighbours taken out and put back, double bridges, other options), accepted by annealing
(Kirkpatrick et al., Science 220, 1983). At the end a dynamic program finds the best entries of all vertices.
"""

from engine.order.check import check_order
from engine.order.poses import PassPoses, TravelMetric, metric_of, move_times, travel_times
from engine.order.route import KICKS_PER_PASS, order_passes
from engine.order.search import order_clusters

__all__ = [
    "KICKS_PER_PASS",
    "PassPoses",
    "TravelMetric",
    "check_order",
    "metric_of",
    "move_times",
    "order_clusters",
    "order_passes",
    "travel_times",
]
