"""The flows, bytes in and values out: `release` makes a judged package, `judge` says whether a device takes one."""
