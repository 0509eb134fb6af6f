/* completion bash|zsh|man: shell completion and the manual page, made from the table of commands. */
#include <string.h>

#include "cautions.h"
#include "commands.h"

static void one_command_bash(FILE *out, const struct command_row *row)
{
    int common_count;
    const struct option_row *common = common_options(&common_count);
    fprintf(out, "    \"%s%s%s\")\n        words=\"", row->group, row->name ? " " : "", row->name ? row->name : "");
    for (int i = 0; i < row->option_count; i++)
        fprintf(out, "%s ", row->options[i].name);
    for (int i = 0; i < common_count; i++)
        fprintf(out, "%s%s", common[i].name, i + 1 < common_count ? " " : "");
    fputs("\"\n        case \"$previous\" in\n", out);
    for (int i = 0; i < row->option_count; i++) {
        if (row->options[i].kind == OPTION_WORD) {
            fprintf(out, "        %s) words=\"", row->options[i].name);
            for (int w = 0; row->options[i].words[w]; w++)
                fprintf(out, "%s%s", w ? " " : "", row->options[i].words[w]);
            fputs("\" ;;\n", out);
        } else if (row->options[i].kind == OPTION_FILE || row->options[i].kind == OPTION_FOLDER) {
            fprintf(out, "        %s) words=; files=yes ;;\n", row->options[i].name);
        }
    }
    fputs("        --socket | --config | --journal) words=; files=yes ;;\n        esac\n", out);
    if (row->operand_kind == OPERAND_FILE)
        fputs("        [[ $current != -* ]] && files=yes\n", out);
    fputs("        ;;\n", out);
}

static void second_words(FILE *out, const struct command_row *rows, int count, const char *group)
{
    for (int i = 0; i < count; i++) {
        if (rows[i].name && strcmp(rows[i].group, group) == 0)
            fprintf(out, " %s", rows[i].name);
    }
}

static bool first_of_group(const struct command_row *rows, int index)
{
    for (int i = 0; i < index; i++) {
        if (strcmp(rows[i].group, rows[index].group) == 0)
            return false;
    }
    return true;
}

static void print_bash(FILE *out)
{
    int count;
    const struct command_row *rows = command_table(&count);
    fputs("# bash completion for soakbench, made by: soakbench completion bash\n_soakbench()\n{\n"
          "    local current=${COMP_WORDS[COMP_CWORD]} previous=${COMP_WORDS[COMP_CWORD-1]}\n"
          "    local first= second= words= files= i word\n"
          "    for ((i = 1; i < COMP_CWORD; i++)); do\n"
          "        word=${COMP_WORDS[i]}\n"
          "        case $word in\n"
          "        --socket | --config | --journal) ((i++)) ;;\n"
          "        -*) ;;\n"
          "        *) if [[ -z $first ]]; then first=$word; elif [[ -z $second ]]; then second=$word; fi ;;\n"
          "        esac\n    done\n    case $first in\n    \"\") words=\"",
          out);
    for (int i = 0; i < count; i++) {
        if (first_of_group(rows, i))
            fprintf(out, "%s%s", i ? " " : "", rows[i].group);
    }
    fputs("\" ;;\n", out);
    for (int i = 0; i < count; i++) {
        if (!rows[i].name || !first_of_group(rows, i))
            continue;
        fprintf(out, "    %s) [[ -z $second ]] && words=\"", rows[i].group);
        second_words(out, rows, count, rows[i].group);
        fputs("\" || first=\"$first $second\" ;;\n", out);
    }
    fputs("    esac\n    case $first in\n", out);
    for (int i = 0; i < count; i++)
        one_command_bash(out, &rows[i]);
    fputs("    esac\n    COMPREPLY=($(compgen -W \"$words\" -- \"$current\"))\n"
          "    [[ -n $files ]] && COMPREPLY+=($(compgen -f -- \"$current\"))\n}\n"
          "complete -o filenames -F _soakbench soakbench\n",
          out);
}

/* Text inside single quotes of the shell, with the brackets and colons of zsh's specifications escaped. */
static void quoted(FILE *out, const char *text)
{
    for (; *text; text++) {
        if (*text == '\'')
            fputs("'\\''", out);
        else if (strchr("[]:\\", *text))
            fprintf(out, "\\%c", *text);
        else
            fputc(*text, out);
    }
}

static void one_option_zsh(FILE *out, const struct option_row *o)
{
    fprintf(out, " '%s[", o->name);
    quoted(out, o->help);
    fputc(']', out);
    if (o->kind != OPTION_FLAG) {
        fputc(':', out);
        quoted(out, o->argument);
        fputc(':', out);
        if (o->kind == OPTION_FILE)
            fputs("_files", out);
        else if (o->kind == OPTION_FOLDER)
            fputs("_files -/", out);
        else if (o->kind == OPTION_WORD) {
            fputc('(', out);
            for (int w = 0; o->words[w]; w++)
                fprintf(out, "%s%s", w ? " " : "", o->words[w]);
            fputc(')', out);
        }
    }
    fputs("' \\\n       ", out);
}

static void one_command_zsh(FILE *out, const struct command_row *row)
{
    int common_count;
    const struct option_row *common = common_options(&common_count);
    fprintf(out, "    '%s%s%s')\n        _arguments", row->group, row->name ? " " : "", row->name ? row->name : "");
    for (int i = 0; i < row->option_count; i++)
        one_option_zsh(out, &row->options[i]);
    for (int i = 0; i < common_count; i++)
        one_option_zsh(out, &common[i]);
    fprintf(out, " '*:%s:%s' ;;\n", row->operands ? "operand" : " ",
            row->operand_kind == OPERAND_FILE ? "_files"
                                              : "()"); /* a bare message would keep options from being put in */
}

static void print_zsh(FILE *out)
{
    int count;
    const struct command_row *rows = command_table(&count);
    fputs("#compdef soakbench\n# zsh completion for soakbench, made by: soakbench completion zsh\n_soakbench()\n{\n"
          "    local -a first plain\n    plain=(${words[2,CURRENT-1]:#-*})\n"
          "    if (( ${#plain} == 0 )); then\n        first=(",
          out);
    for (int i = 0; i < count; i++) {
        if (first_of_group(rows, i))
            fprintf(out, "%s ", rows[i].group);
    }
    fputs(")\n        compadd -a first\n        return\n    fi\n    case ${plain[1]} in\n", out);
    for (int i = 0; i < count; i++) {
        if (!rows[i].name || !first_of_group(rows, i))
            continue;
        fprintf(out, "    %s)\n        if (( ${#plain} == 1 )); then compadd", rows[i].group);
        second_words(out, rows, count, rows[i].group);
        fputs("; return; fi\n        plain=(\"${plain[1]} ${plain[2]}\" ${plain[3,-1]}) ;;\n", out);
    }
    fputs("    esac\n    case ${plain[1]} in\n", out);
    for (int i = 0; i < count; i++)
        one_command_zsh(out, &rows[i]);
    fputs("    esac\n}\n_soakbench \"$@\"\n", out);
}

/* Text of a manual page: hyphens that people copy stay hyphens, and no line begins with a control character. */
static void roff(FILE *out, const char *text)
{
    for (; *text; text++) {
        if (*text == '-')
            fputs("\\-", out);
        else if (*text == '\\')
            fputs("\\e", out);
        else if (*text == '\'')
            fputs("\\(aq", out);
        else
            fputc(*text, out);
    }
}

static void options_man(FILE *out, const struct option_row *rows, int count)
{
    for (int i = 0; i < count; i++) {
        fputs(".TP\n\\fB", out);
        roff(out, rows[i].name);
        fputs("\\fR", out);
        if (rows[i].argument) {
            fputs(" \\fI", out);
            roff(out, rows[i].argument);
            fputs("\\fR", out);
        }
        fputc('\n', out);
        roff(out, rows[i].help);
        for (int w = 0; rows[i].kind == OPTION_WORD && rows[i].words[w]; w++) {
            fputs(w ? ", " : ": ", out);
            roff(out, rows[i].words[w]);
        }
        fputs(".\n", out);
    }
}

static void command_man(FILE *out, const struct command_row *row)
{
    fprintf(out, ".SS \"%s%s%s", row->group, row->name ? " " : "", row->name ? row->name : "");
    if (row->operands)
        fprintf(out, " %s", row->operands);
    fputs("\"\n", out);
    roff(out, row->summary);
    fputs(".\n", out);
    if (row->text) {
        fputs(".PP\n", out);
        roff(out, row->text);
        fputc('\n', out);
    }
    options_man(out, row->options, row->option_count);
}

static void print_man(FILE *out)
{
    int count, common_count;
    const struct command_row *rows = command_table(&count);
    const struct option_row *common = common_options(&common_count);
    fputs(".\\\" Made by: soakbench completion man\n"
          ".TH SOAKBENCH 1 \"\" \"soakbench " SOAKBENCH_VERSION "\" \"User Commands\"\n"
          ".SH NAME\nsoakbench \\- prove the duty cycle of welding power sources on a load bench\n"
          ".SH SYNOPSIS\n\\fBsoakbench\\fR [\\fB\\-\\-socket\\fR \\fIPATH\\fR | \\fB\\-\\-config\\fR "
          "\\fIFILE\\fR] \\fICOMMAND\\fR ...\n"
          ".SH DESCRIPTION\nWorks with the daemon \\fBsoakbenchd\\fR(8) over its control socket, reads its journal, "
          "and computes the figures of the trade.\n.SH \"OPTIONS OF EVERY COMMAND\"\n",
          out);
    options_man(out, common, common_count);
    fputs(".SH COMMANDS\n", out);
    for (int i = 0; i < count; i++)
        command_man(out, &rows[i]);
    fputs(
        ".SH \"EXIT STATUS\"\n0 done, and for judgements met or held; 1 refused or failed; 2 wrong use; 3 not\\-met; 4 "
        "undecided.\n.SH ENVIRONMENT\n.TP\n\\fBSOAKBENCH_SOCKET\\fR\nControl socket, when neither "
        "\\fB\\-\\-socket\\fR nor \\fB\\-\\-config\\fR is given.\n.TP\n\\fBNO_COLOR\\fR\nSet and not empty: no "
        "colours.\n.TP\n\\fBCOLUMNS\\fR\nWidth that tables have to fit.\n"
        ".SH FILES\n.TP\n\\fI/run/soakbench/control.sock\\fR\nControl socket of the daemon.\n.SH CAUTIONS\n",
        out);
    for (int i = 0; i < caution_count(); i++) {
        fputs(".PP\n", out);
        roff(out, caution_text(i));
        fputc('\n', out);
    }
    fputs(".SH \"SEE ALSO\"\n\\fBsoakbench\\-config\\fR(5), \\fBsoakbench\\-map\\fR(5), \\fBsoakbench\\-unit\\fR(5), "
          "\\fBsoakbenchd\\fR(8)\n",
          out);
}

int command_completion(struct client *c, const struct arguments *args)
{
    if (strcmp(args->operands[0], "bash") == 0)
        print_bash(c->screen.out);
    else if (strcmp(args->operands[0], "zsh") == 0)
        print_zsh(c->screen.out);
    else if (strcmp(args->operands[0], "man") == 0)
        print_man(c->screen.out);
    else
        return client_wrong_use(c, "completion for what? bash, zsh, or man for the manual page");
    return EXIT_DONE;
}
