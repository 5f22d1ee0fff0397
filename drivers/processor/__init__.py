"""The driver `processor_load`: a processor as its own heat source; `drivers.load_agent` offers it to another one."""
