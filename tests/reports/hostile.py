"""Texts that would do something if they were taken for more than text."""

from __future__ import annotations

HOSTILE = {
    "html": "<script>alert(1)</script><img src=x onerror=alert(2)>\"'><svg/onload=alert(3)>",
    "style": "</style><script>alert(4)</script>",
    "comment": "--> <!-- ]]> <![CDATA[",
    "jinja": "{{ 7*191 }}{% include '/etc/passwd' %}",
    "typst": '#panic("run")#read("/etc/passwd") $1/0$ *bold* _it_ ] [ } { @ref <label> \\ // /* `',
    "tex": r"$\frac{1}{0}$ \input{/etc/passwd} $",
    "formula": '=HYPERLINK("http://127.0.0.1/","x")',
    "formula_plus": "+1+cmd|' /C calc'!A0",
    "formula_at": "@SUM(1+1)*cmd",
    "formula_minus": "-2+3+cmd",
    "formula_tab": "\t=1+1",
    "path": "../../../../tmp/escape",
    "escape": "\x1b[31m\x1b]0;title\x07\x9b2J\u202etxt.exe\x00",
    "lines": "one\r\ntwo\u2028three",
}
