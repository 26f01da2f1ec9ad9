"""An installation played on a simulated device, with power cuts. docs/format/install-record.md is what it follows."""
