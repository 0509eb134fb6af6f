"""The completion of a shell, asked in that shell: complete_test.py SHELL SOURCE BUILD.

A real interactive shell on a pseudo terminal gets words and a tab; then a key of ours makes it say what stands on its line,
and for a list of choices what it printed. What is expected comes from the program's own help. Status 77: no such shell.
"""
import os
import pty
import re
import select
import shutil
import signal
import subprocess
import sys
import tempfile
import time

shell, source, build = sys.argv[1:4]
if shutil.which(shell) is None:
    print("skipped: no %s (Debian package %s)" % (shell, shell))
    sys.exit(77)

folder = tempfile.mkdtemp(prefix="soakbench-complete-")
open(os.path.join(folder, "harrow-quay.yaml"), "w", encoding="utf-8").close()
PROGRAM = os.path.join(build, "daemon", "client", "soakbench")
START = {
    "bash": ["bash", "--norc", "--noprofile", "-i"],
    "zsh": ["zsh", "-f", "-i"],
}
# Ctrl-T says the line between two marks; no paging, no questions about long lists.
PREPARE = {
    "bash": """PS1='% '; bind 'set completion-query-items 0'; bind 'set page-completions off'; bind 'set bell-style none'
bind -x '"\\C-t": printf "\\001%s\\002" "$READLINE_LINE"'
. 'SOURCE/deploy/completion/soakbench.bash'
printf '\\003\\004'
""",
    "zsh": """PS1='%% '; unsetopt BEEP PROMPT_CR PROMPT_SP ZLE_BRACKETED_PASTE 2>/dev/null; unset zle_bracketed_paste; LISTMAX=0
fpath=('SOURCE/deploy/completion' $fpath); autoload -Uz compinit; compinit -u -D; zstyle ':completion:*' list-prompt ''
say_line() { print -rn -- $'\\001'"$BUFFER"$'\\002' }; zle -N say_line; bindkey '^T' say_line; bindkey '^U' kill-whole-line
printf '\\003\\004'
""",
}

pid, fd = pty.fork()
if pid == 0:
    os.chdir(folder)
    os.environ.update(PATH=os.path.dirname(PROGRAM) + ":" + os.environ["PATH"], TERM="dumb", COLUMNS="200", LINES="60", HOME=folder)
    os.execvp(START[shell][0], START[shell])


def until(pattern, seconds=30):
    """What the shell prints up to and with the pattern."""
    seen, end = b"", time.monotonic() + seconds
    while True:
        found = re.search(pattern, seen, re.S)
        if found:
            return seen[:found.end()], found
        if time.monotonic() > end or not select.select([fd], [], [], end - time.monotonic())[0]:
            raise AssertionError("%s did not print %r; it printed %r" % (shell, pattern, seen[-600:]))
        seen += os.read(fd, 4096)


def typed(text, tabs=1):
    """The line after text and tabs, and all that was printed meanwhile."""
    os.write(fd, b"\x15" + text.encode() + b"\t" * tabs + b"\x14")
    seen, found = until(rb"\x01(.*?)\x02")
    return found.group(1).decode().rstrip(), seen.decode(errors="replace")


def words_of(*command):
    return subprocess.run([PROGRAM, *command], capture_output=True, text=True, check=False).stdout


problems = []


def expect(what, good, seen):
    if not good:
        problems.append("%s: %s: got %r" % (shell, what, seen))


try:
    os.write(fd, PREPARE[shell].replace("SOURCE", source).encode())
    until(rb"\x03\x04")
    for start, whole in (("soakbench sta", "soakbench status"), ("soakbench unit im", "soakbench unit import"),
                         ("soakbench run pl", "soakbench run plan"), ("soakbench run --json li", "soakbench run --json list"),
                         ("soakbench record 1 --cust", "soakbench record 1 --customer"),
                         ("soakbench run start A --unattend", "soakbench run start A --unattended"),
                         ("soakbench run start A --procedure to-", "soakbench run start A --procedure to-cutout"),
                         ("soakbench check harrow", "soakbench check harrow-quay.yaml"),
                         ("soakbench nonsense-of-nobo", "soakbench nonsense-of-nobo")):
        line, seen = typed(start)
        expect("%s and a tab" % start, line == whole, (line, seen[-200:]))
    # Every group of commands that the help names is offered, and nothing else.
    groups = set(re.findall(r"^\s+soakbench (?:\[[^]]*\] )?([a-z]+)", words_of("--help"), re.M)) or \
        set(re.findall(r"^  ([a-z]+)\b", words_of("--help"), re.M))
    line, seen = typed("soakbench ", tabs=2)
    missing = [g for g in groups if not re.search(r"\b%s\b" % g, seen)]
    expect("a list of all commands", len(groups) > 15 and not missing, (sorted(groups), missing, seen[-600:]))
finally:
    os.kill(pid, signal.SIGKILL)
    os.waitpid(pid, 0)
    os.close(fd)
    shutil.rmtree(folder, ignore_errors=True)
for p in problems:
    print(p)
print("%s: %s" % (shell, "completes" if not problems else "%d problems" % len(problems)))
sys.exit(1 if problems else 0)
