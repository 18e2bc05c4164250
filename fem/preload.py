"""What every worker needs, loaded once in the process they are all forked from."""

import fem.attempt
import fem.run  # noqa: F401
