"""What a feed motion asks of its motor: inertia, torque, power, and what a motor can give."""
