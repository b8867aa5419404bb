"""The overview of a run: verdict, errors, hazards and what happened, on one page."""
