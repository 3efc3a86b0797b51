/* heatgate: the command for people. All of it is in cli.c and the verbs. */
#include "cli/cli.h"

int main(int argc, char **argv)
{
    return hg_cli_main(argc, argv);
}
