"""The driver `hwmon`: fans, pumps and temperatures that the Linux kernel shows as files."""
