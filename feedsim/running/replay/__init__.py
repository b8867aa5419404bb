"""A traced run replayed: where noses and tails are, what eyes and program see."""
