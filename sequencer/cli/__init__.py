"""The command line: arguments in, one answer out.

:mod:`.main` is the way of one command: :mod:`.arguments` reads what was typed, the command's own module
(:mod:`.check`, :mod:`.plan`, :mod:`.play`, :mod:`.rehearse`, :mod:`.demo`) makes an
:class:`~sequencer.cli.answer.Answer`, and ``main`` prints its text or its JSON and ends with its status.
The answer goes to standard output, everything said on the way there to standard error.
"""
