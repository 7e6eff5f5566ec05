"""How do the tables come to be? One line of migrations for both stores; run by `planner.database.migrate`."""
