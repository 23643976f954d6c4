"""Errors a user can cause and mend.

Exception
 +- UserError        the command line or a file is wrong (exit 2): one sentence, what, which file, what to do
"""


class UserError(Exception):
    """Something given to the tool is wrong; the message says what, which file, and what to do."""
