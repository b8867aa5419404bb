"""What people and other programs get to see: tables, figures, files whole or not at all."""
