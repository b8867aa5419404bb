"""Results against speed, or any other value of the scenario."""
