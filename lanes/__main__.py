"""`python -m lanes`."""

from lanes.start import main

raise SystemExit(main())
