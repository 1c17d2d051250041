"""`earthward report SURVEY --out DIR`: HTML and PDF report of a survey."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

from earthward.report.build import build_report

SUMMARY = "HTML and PDF report of a survey"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("survey", metavar="SURVEY", help="the survey file")
    parser.add_argument("--out", metavar="DIR", default="report", help="folder for report.html and report.pdf")
    parser.add_argument("--paper", choices=("a4", "letter"), default="a4", help="paper of the PDF")
    parser.add_argument("--units", choices=("si", "us"), help="default: as the survey says")
    parser.add_argument("--json", action="store_true", help="one JSON object on stdout")


def run(args: argparse.Namespace) -> int:
    written = build_report(args.survey, Path(args.out), args.paper, args.units)
    if len(written) == 1:
        print("earthward: no PDF: the package typst is missing (pip install 'earthward[report]')", file=sys.stderr)
    if args.json:
        print(json.dumps({"written": [str(p) for p in written]}))
    else:
        for path in written:
            print(path)
    return 0
