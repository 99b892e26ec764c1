"""The child process that draws: DOT on standard input, the drawing on standard output.

Run as ``python -I draw_process.py FORM [KEY=VALUE ...]``, the values being attributes of the whole graph. Graphviz
holds the interpreter lock while it lays out and cannot be stopped from within, so it never runs in a server's own
process. Ends with status 3 where Graphviz is not installed.
"""

from __future__ import annotations

import sys

NOT_INSTALLED = 3


def main(form: str, *settings: str) -> int:
    """Draw standard input in the form svg, pdf or png; returns the exit status."""
    try:
        from pygraphviz import AGraph
    except ImportError:
        return NOT_INSTALLED
    graph = AGraph(string=sys.stdin.buffer.read().decode("utf-8"))
    for setting in settings:
        key, _, value = setting.partition("=")
        graph.graph_attr[key] = value
    sys.stdout.buffer.write(graph.draw(format=form, prog="dot"))
    sys.stdout.buffer.flush()
    return 0


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
