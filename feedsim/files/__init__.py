"""Files that are whole or not there, in folders that one command owns."""
