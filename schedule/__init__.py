"""The plan, the chores, the notices and the calendar of a household."""
