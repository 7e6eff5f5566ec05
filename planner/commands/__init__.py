"""Which commands does the planner have? Each module holds those of one kind of work."""
