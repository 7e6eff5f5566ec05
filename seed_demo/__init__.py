"""What does a season look like? An invented one: machines, drawings, produce and a calendar."""
