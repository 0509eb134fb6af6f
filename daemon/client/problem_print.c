#include "problem_print.h"

#include "json_build.h"

void problems_show(const struct screen *s, const struct problems *problems)
{
    for (int i = 0; i < problems->count; i++) {
        const struct problem *p = &problems->items[i];
        const char *level = problem_level_name(p->level);
        enum tone tone = tone_of(level);
        if (p->line > 0)
            fprintf(s->out, "%s:%d:%d: ", p->file, p->line, p->column);
        else
            fprintf(s->out, "%s: ", p->file);
        fprintf(s->out, "%s%s%s: %s%s%s\n", tone_begin(s, tone), level, tone_end(s, tone), p->path,
                p->path[0] ? ": " : "", p->text);
        if (p->remedy[0])
            fprintf(s->out, "    %s\n", p->remedy);
    }
    int seen = problems->errors + problems->warnings + problems->hints;
    if (seen > problems->count)
        fprintf(s->out, "... and %d more\n", seen - problems->count);
}

json_t *problems_to_json(const struct problems *problems)
{
    json_t *list = json_array();
    for (int i = 0; list && i < problems->count; i++) {
        const struct problem *p = &problems->items[i];
        struct json_build b = build_begin();
        build_text(&b, "level", problem_level_name(p->level));
        build_text(&b, "file", p->file);
        build_integer(&b, "line", p->line);
        build_integer(&b, "column", p->column);
        build_text(&b, "path", p->path);
        build_text(&b, "text", p->text);
        build_text(&b, "remedy", p->remedy);
        if (json_array_append_new(list, build_end(&b)) != 0) {
            json_decref(list);
            return NULL;
        }
    }
    return list;
}
