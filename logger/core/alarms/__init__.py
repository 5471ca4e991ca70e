"""The life of alarms: conditions, grouping, reminders, recipients, performance."""
