"""Tests, with compiled code kept also where the account says otherwise.

They start the program some hundred times; without compiled code each start would compile every module anew.
What is compiled lies in `__pycache__`, which git ignores.
"""

import os
import sys

os.environ.pop("PYTHONDONTWRITEBYTECODE", None)  # of the programs that tests start
sys.dont_write_bytecode = False  # of this one
