"""What every worker needs, loaded once in the process they are all forked from."""

import fem.batch.job
import fem.simulation.run  # noqa: F401
