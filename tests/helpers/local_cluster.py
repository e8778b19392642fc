"""A real cluster on this machine's loopback, for the tests that need one."""

import contextlib
import warnings


@contextlib.contextmanager
def two_workers(distributed):
    """A client of two worker processes, one thread each."""
    with warnings.catch_warnings():
        # A port that is taken, and sockets that the library closes late, are its own affair.
        warnings.simplefilter("ignore")
        cluster = distributed.LocalCluster(
            n_workers=2,
            threads_per_worker=1,
            processes=True,
            host="127.0.0.1",
            dashboard_address=None,
        )
        client = distributed.Client(cluster)
        try:
            yield client
        finally:
            client.close()
            cluster.close()
