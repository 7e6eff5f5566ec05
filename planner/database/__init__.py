"""What is recorded, and how is it asked for? Tables, sessions, migrations and the read side of the pages."""
