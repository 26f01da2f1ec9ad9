"""The product file: values, strict reader, slot plan."""
