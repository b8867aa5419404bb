"""A traced run read again, in one place: where noses and tails are, what eyes and program see."""
