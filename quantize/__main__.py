"""``python -m quantize`` is the command ``quantize``."""

from quantize.cli import main

if __name__ == "__main__":
    raise SystemExit(main())
