"""The desk's page: its markup, styles and scripts."""
