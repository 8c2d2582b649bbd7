"""`stubborn.py HOW ...`: the command line with a fit that takes Ctrl-C badly, as libraries do, for test_stopping.py.

plain: it is heard at once. native: deep in a library that comes back after minutes. swallowed: the interrupt is caught
and lost. turned, refused: it comes out as another error.
"""

import hashlib
import sys
import time

from barerail import run
from barerail.__main__ import main
from barerail.errors import DataError

HOW = sys.argv.pop(1)


def fit(clean, settings, progress):
    print("fit began", file=sys.stderr, flush=True)
    try:
        if HOW == "native":
            hashlib.pbkdf2_hmac("sha256", b"a" * 100, b"b", 2**31 - 1)
        time.sleep(600)
    except KeyboardInterrupt as error:
        if HOW == "turned":
            raise ImportError("initialization failed") from error
        if HOW == "refused":
            raise DataError("the file is damaged") from error
        if HOW != "swallowed":
            raise
    time.sleep(600)


if __name__ == "__main__":
    run.fit = fit
    main()
