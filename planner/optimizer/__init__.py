"""The plan of the whole fleet, from a problem in a file alone: `solve(read_problem(...))`."""

from planner.optimizer.problem import ProblemError, read_plan, read_problem, write_plan, write_problem
from planner.optimizer.solve import first_plan, solve
from planner.optimizer.verify import tier_values, verify

__all__ = [
    "ProblemError",
    "first_plan",
    "read_plan",
    "read_problem",
    "solve",
    "tier_values",
    "verify",
    "write_plan",
    "write_problem",
]
