"""`python -m lanes`."""

from lanes.cli import main

raise SystemExit(main())
