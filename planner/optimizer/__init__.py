"""The plan of the whole fleet, from a problem in a file alone: `solve(read_problem(...))`."""

from planner.optimizer.problem import ProblemError
from planner.optimizer.reading import read_plan, read_problem
from planner.optimizer.solve import first_plan, solve
from planner.optimizer.verify import verify
from planner.optimizer.verify_tiers import tier_values
from planner.optimizer.writing import write_plan, write_problem

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
