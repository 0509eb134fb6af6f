/* soakbench: the command by which people and scripts work with the bench. */
#include <locale.h>
#include <string.h>
#include <unistd.h>

#include "commands.h"
#include "config.h"

static void client_end(struct client *c)
{
    if (c->fd >= 0)
        close(c->fd);
    line_buffer_free(&c->in);
    config_free(c->config);
}

int main(int argc, char **argv)
{
    /* Numbers are read and written the same way everywhere; only the messages' bytes are the terminal's own. */
    (void)setlocale(LC_CTYPE, "");
    struct client c = {.screen = screen_of(stdout), .errors = screen_of(stderr), .fd = -1};
    struct arguments args;
    struct error err = {{0}};
    if (arguments_parse(argc, argv, &args, &err) != 0) {
        for (int i = 1; i < argc; i++)
            c.json = c.json || strcmp(argv[i], "--json") == 0;
        return client_wrong_use(&c, "%s", err.text);
    }
    c.json = args.json;
    c.socket_option = args.socket;
    c.config_option = args.config;
    c.journal_option = args.journal;
    int status = EXIT_DONE;
    if (args.version && !args.command) {
        fprintf(c.screen.out, "soakbench %s\n", SOAKBENCH_VERSION);
    } else if (args.help) {
        print_help(&c.screen, args.command);
    } else if (!args.command) {
        print_help(&c.errors, NULL);
        status = EXIT_WRONG_USE;
    } else {
        status = args.command->run(&c, &args);
    }
    client_end(&c);
    if (fflush(stdout) != 0 || ferror(stdout)) {
        fputs("soakbench: the output could not be written\n", stderr);
        return status == EXIT_DONE ? EXIT_REFUSED : status;
    }
    return status;
}
