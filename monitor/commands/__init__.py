"""One file a command of `goodwater`: `add_to(parser)` its arguments, `run(options) -> int` its work."""
