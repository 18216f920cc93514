#include "fetch/parts.h"

#include <arpa/inet.h>
#include <string.h>
#include <strings.h>

/* One part of the URL, or NULL; freed with curl_free. */
static char *take_part(CURLU *parts, CURLUPart part, unsigned flags)
{
    char *text = NULL;
    return curl_url_get(parts, part, &text, flags) == CURLUE_OK ? text : NULL;
}

static bool is_http(const char *scheme)
{
    return strcmp(scheme, "http") == 0 || strcmp(scheme, "https") == 0;
}

/* Takes the parts away one by one, so the order matters: credentials before `url`, the query before `shown`.
 */
static bool take_texts(struct gr_address *out, CURLU *parts)
{
    out->scheme = take_part(parts, CURLUPART_SCHEME, 0);
    out->host = take_part(parts, CURLUPART_HOST, 0);
    out->port = take_part(parts, CURLUPART_PORT, CURLU_DEFAULT_PORT);
    out->user = take_part(parts, CURLUPART_USER, CURLU_URLDECODE);
    out->password = take_part(parts, CURLUPART_PASSWORD, CURLU_URLDECODE);
    (void)curl_url_set(parts, CURLUPART_USER, NULL, 0);
    (void)curl_url_set(parts, CURLUPART_PASSWORD, NULL, 0);
    (void)curl_url_set(parts, CURLUPART_FRAGMENT, NULL, 0);
    out->url = take_part(parts, CURLUPART_URL, 0);
    (void)curl_url_set(parts, CURLUPART_QUERY, NULL, 0);
    out->shown = take_part(parts, CURLUPART_URL, 0);
    return out->scheme && out->host && out->port && out->url && out->shown;
}

static int take_url(struct gr_address *out, CURLU *parts, const char *url, struct gr_error *error)
{
    /* The text itself stays out of the messages: what cannot be parsed cannot be cleared of its secrets. */
    CURLUcode code = curl_url_set(parts, CURLUPART_URL, url, 0);
    if (code != CURLUE_OK) {
        (void)gr_error_set(error, GR_INVALID, "not a URL of the form https://host/path: %s",
                           curl_url_strerror(code));
        return code == CURLUE_OUT_OF_MEMORY ? GR_NO_MEMORY : GR_INVALID;
    }
    if (!take_texts(out, parts)) {
        (void)gr_error_set(error, GR_INVALID, "not a URL of the form https://host/path: a part is missing");
        return GR_INVALID;
    }
    if (!is_http(out->scheme)) {
        (void)gr_error_set(error, GR_INVALID, "URL with scheme \"%.20s\", expected https or http",
                           out->scheme);
        return GR_INVALID;
    }
    return GR_OK;
}

int gr_address_parse(struct gr_address *out, const char *url, struct gr_error *error)
{
    *out = (struct gr_address){0};
    CURLU *parts = curl_url();
    if (!parts) {
        (void)gr_error_set(error, GR_NO_MEMORY, "out of memory for a URL");
        return GR_NO_MEMORY;
    }
    int result = take_url(out, parts, url, error);
    curl_url_cleanup(parts);
    if (result != GR_OK) {
        gr_address_free(out);
    }
    return result;
}

void gr_address_free(struct gr_address *address)
{
    curl_free(address->url);
    curl_free(address->shown);
    curl_free(address->scheme);
    curl_free(address->host);
    curl_free(address->port);
    curl_free(address->user);
    curl_free(address->password);
    *address = (struct gr_address){0};
}

bool gr_address_same_origin(const struct gr_address *one, const struct gr_address *other)
{
    return strcmp(one->scheme, other->scheme) == 0 && strcasecmp(one->host, other->host) == 0 &&
           strcmp(one->port, other->port) == 0;
}

/* curl has already brought "127.1" and "[0:0::1]" to a form that inet_pton reads. */
static bool is_loopback(const char *host)
{
    struct in_addr v4;
    struct in6_addr v6;
    char bare[INET6_ADDRSTRLEN] = "";
    if (strcasecmp(host, "localhost") == 0) {
        return true;
    }
    if (inet_pton(AF_INET, host, &v4) == 1) {
        return ntohl(v4.s_addr) >> 24 == 127;
    }
    size_t length = strlen(host);
    if (host[0] == '[' && length > 2 && length - 2 < sizeof bare) {
        memcpy(bare, host + 1, length - 2);
    }
    return inet_pton(AF_INET6, bare, &v6) == 1 && memcmp(&v6, &in6addr_loopback, sizeof v6) == 0;
}

int gr_url_check(const char *url, bool allow_plain_http, struct gr_error *error)
{
    struct gr_address address;
    int result = gr_address_parse(&address, url, error);
    if (result != GR_OK) {
        return result;
    }
    if (strcmp(address.scheme, "http") == 0 && !allow_plain_http && !is_loopback(address.host)) {
        result = gr_error_set(error, GR_INVALID, "%.200s is plain http to another machine, expected https",
                              address.shown);
    }
    gr_address_free(&address);
    return result;
}
