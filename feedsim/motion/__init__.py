"""Motion in closed form: floats in, floats out, nothing to mock."""
