#include "granary/daemon.h"

int main(int argc, char **argv)
{
    return gr_daemon_main(argc, argv);
}
