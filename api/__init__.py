"""The outside: HTTP routes, commands, the watcher and the records."""
