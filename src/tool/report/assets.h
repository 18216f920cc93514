/* The files of this folder and the chart library, as bytes in the program (embed.cmake writes them). */
#ifndef GRANARY_TOOL_REPORT_ASSETS_H
#define GRANARY_TOOL_REPORT_ASSETS_H

#include <stddef.h>

struct gr_asset {
    const unsigned char *bytes;
    size_t length;      /* 0: was not there when the program was built */
    const char *sha256; /* of the bytes, in base64 */
};

extern const struct gr_asset gr_asset_html, gr_asset_css, gr_asset_js;
extern const struct gr_asset gr_asset_d3, gr_asset_d3_licence; /* D3, https://d3js.org */

#endif
