"""The install record: what a device remembers of its sets, in internal flash. docs/format/install-record.md."""
