"""The reference that ``momentshare help TOPIC`` shows: files, fields, columns, methods."""

from momentshare.help.entries import HelpEntry, entries, entries_named
from momentshare.help.topics import Topic, topic, topics

__all__ = ["HelpEntry", "Topic", "entries", "entries_named", "topic", "topics"]
