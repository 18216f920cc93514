/* The subcommands of `granary`, one file each. Every one gets its own arguments (argv[0] is its name) and
 * returns the exit status: 0 done, 1 the answer is no or the world refused, 2 the input or the call is wrong.
 */
#ifndef GRANARY_TOOL_TOOL_H
#define GRANARY_TOOL_TOOL_H

int gr_tool_main(int argc, char **argv);

int gr_tool_check(int argc, char **argv);
int gr_tool_discover(int argc, char **argv);
int gr_tool_import(int argc, char **argv);
int gr_tool_override(int argc, char **argv);
int gr_tool_plan(int argc, char **argv);
int gr_tool_solve(int argc, char **argv);
int gr_tool_simulate(int argc, char **argv);
int gr_tool_backtest(int argc, char **argv);
int gr_tool_forecast(int argc, char **argv);
int gr_tool_replay(int argc, char **argv);

#endif
