"""Demand of a feed motion on its motor: inertia, torque, power; and the limits of motors."""
