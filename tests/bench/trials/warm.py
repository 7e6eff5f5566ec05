"""What is loaded once for all trials? Importing this loads it; what is forked then begins with the work."""

from importlib import import_module

from planner.services.preparing import compile_kernels

for _name in (
    "engine.package",
    "engine.prepare",
    "ortools.sat.python.cp_model",
    "planner.batch",
    "planner.cli",
    "planner.services.backup",
    "planner.services.drafts",
    "planner.services.planning",
    "planner.worker",
    "web.command",
    "web.app",
):
    import_module(_name)
compile_kernels()
