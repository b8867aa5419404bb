"""The sizing of a drive: text, tables, figures."""
