"""What can a person do? Use cases: they check, write and flush; whoever opened the session commits."""
