#include "tool/tool.h"

int main(int argc, char **argv)
{
    return gr_tool_main(argc, argv);
}
