"""Who carves what, where and when: the planner around the engine."""
