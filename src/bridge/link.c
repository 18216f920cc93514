#include "bridge/link.h"

#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define CONNECT_TIMEOUT_S 10

/* The library's default of 100 is less than a device publishes after connecting. */
#define MOST_BUFFERED GR_MOST_PENDING

static void report(const struct gr_link_tag *tag, enum gr_news news, int reason, const char *text)
{
    gr_inbox_report(tag->inbox, tag->generation, tag->link, news, reason, text);
}

/* ---- callbacks: in the library's threads, with its lock held ---- */

static void on_lost(void *context, char *cause)
{
    report(context, GR_NEWS_FAILED, 0, cause);
}

static void on_server_disconnect(void *context, MQTTProperties *properties, enum MQTTReasonCodes reason)
{
    (void)properties;
    report(context, GR_NEWS_FAILED, (int)reason, NULL);
}

static int on_message(void *context, char *topic, int topic_length, MQTTAsync_message *message)
{
    const struct gr_link_tag *tag = context;
    size_t length = topic_length > 0 ? (size_t)topic_length : strlen(topic);
    /* A name with a NUL inside is forbidden (MQTT 5.0, 1.5.4) and would be another name to us. */
    if (strnlen(topic, length) == length) {
        gr_inbox_put(tag->inbox, tag->generation, topic, length, message->payload,
                     message->payloadlen > 0 ? (size_t)message->payloadlen : 0, message->retained != 0);
    }
    MQTTAsync_freeMessage(&message);
    MQTTAsync_free(topic);
    return 1;
}

static int on_tls_error(const char *text, size_t length, void *context)
{
    /* "thread:error:code:library:function:reason:file:line:", and not always that long */
    char line[256];
    (void)snprintf(line, sizeof line, "%.*s", length < sizeof line ? (int)length : (int)sizeof line - 1,
                   text);
    char *words = line;
    for (int field = 0; field < 5; field++) {
        char *colon = strchr(words, ':');
        words = colon ? colon + 1 : words;
    }
    words[strcspn(words, ":\n")] = '\0';
    report(context, GR_NEWS_TLS, 0, words);
    return 1;
}

/* Carries the broker's Receive Maximum, 0 where it names none, in place of a reason. */
static void on_connected5(void *context, MQTTAsync_successData5 *data)
{
    int most = MQTTProperties_getNumericValue(&data->properties, MQTTPROPERTY_CODE_RECEIVE_MAXIMUM);
    report(context, GR_NEWS_CONNECTED, most > 0 ? most : 0, NULL);
}

static void on_connected4(void *context, MQTTAsync_successData *data)
{
    (void)data;
    report(context, GR_NEWS_CONNECTED, 0, NULL);
}

static void report_refusal(const struct gr_link_tag *tag, int reason, int code, const char *message)
{
    int refusal = reason > 0 ? reason : code;
    report(tag, GR_NEWS_FAILED, refusal > 0 ? refusal : 0, refusal > 0 ? NULL : message);
}

static void on_refused5(void *context, MQTTAsync_failureData5 *data)
{
    report_refusal(context, (int)data->reasonCode, data->code, data->message);
}

static void on_refused4(void *context, MQTTAsync_failureData *data)
{
    report_refusal(context, 0, data->code, data->message);
}

/* One SUBACK entry; false where it is a refusal, which is then reported. */
static bool is_granted(const struct gr_link_tag *tag, size_t index, int code)
{
    if (code < 128) {
        return true;
    }
    char text[120];
    (void)snprintf(text, sizeof text, "subscription to \"%.80s\"", tag->filters[index]);
    report(tag, GR_NEWS_FAILED, code, text);
    return false;
}

/* For a single filter the library fills no list. */
static void on_suback5(void *context, MQTTAsync_successData5 *data)
{
    const struct gr_link_tag *tag = context;
    bool listed = tag->filter_count > 1;
    bool granted = listed || is_granted(tag, 0, (int)data->reasonCode);
    for (int i = 0; granted && listed && i < data->alt.sub.reasonCodeCount && (size_t)i < tag->filter_count;
         i++) {
        granted = is_granted(tag, (size_t)i, (int)data->alt.sub.reasonCodes[i]);
    }
    if (granted) {
        report(tag, GR_NEWS_GRANTED, 0, NULL);
    }
}

static void on_suback4(void *context, MQTTAsync_successData *data)
{
    const struct gr_link_tag *tag = context;
    bool listed = tag->filter_count > 1;
    bool granted = listed || is_granted(tag, 0, data->alt.qos);
    for (size_t i = 0; granted && listed && i < tag->filter_count; i++) {
        granted = is_granted(tag, i, data->alt.qosList[i]);
    }
    if (granted) {
        report(tag, GR_NEWS_GRANTED, 0, NULL);
    }
}

/* The library calls this for a single filter; what was refused is known then. */
static void report_no_suback(const struct gr_link_tag *tag, int reason, int code)
{
    if (reason < 128 && code < 128) {
        report(tag, GR_NEWS_FAILED, 0, "the subscription failed");
        return;
    }
    (void)is_granted(tag, 0, reason >= 128 ? reason : code);
}

static void on_no_suback5(void *context, MQTTAsync_failureData5 *data)
{
    report_no_suback(context, (int)data->reasonCode, data->code);
}

static void on_no_suback4(void *context, MQTTAsync_failureData *data)
{
    report_no_suback(context, 0, data->code);
}

static void acknowledge(const struct gr_link_tag *tag, int token, int reason)
{
    gr_inbox_acknowledge(tag->inbox, tag->generation, token, reason);
}

static void on_puback5(void *context, MQTTAsync_successData5 *data)
{
    acknowledge(context, data->token, (int)data->reasonCode);
}

static void on_puback4(void *context, MQTTAsync_successData *data)
{
    acknowledge(context, data->token, 0);
}

static void on_no_puback5(void *context, MQTTAsync_failureData5 *data)
{
    acknowledge(context, data->token, data->reasonCode >= 128 ? (int)data->reasonCode : -1);
}

static void on_no_puback4(void *context, MQTTAsync_failureData *data)
{
    acknowledge(context, data->token, -1);
}

static void on_closed5(void *context, MQTTAsync_successData5 *data)
{
    (void)data;
    report(context, GR_NEWS_CLOSED, 0, NULL);
}

static void on_not_closed5(void *context, MQTTAsync_failureData5 *data)
{
    (void)data;
    report(context, GR_NEWS_CLOSED, 0, NULL);
}

static void on_closed4(void *context, MQTTAsync_successData *data)
{
    (void)data;
    report(context, GR_NEWS_CLOSED, 0, NULL);
}

static void on_not_closed4(void *context, MQTTAsync_failureData *data)
{
    (void)data;
    report(context, GR_NEWS_CLOSED, 0, NULL);
}

/* ---- the loop's side ---- */

static int explain(int code, const char *what, struct gr_error *error)
{
    const char *words = MQTTAsync_strerror(code);
    return gr_error_set(error, GR_IO, "%s: MQTT library says %s (%d)", what, words ? words : "nothing", code);
}

static int create_handle(struct gr_link *link, const struct gr_mqtt *mqtt, struct gr_error *error)
{
    char uri[300], id[GR_NAME_SIZE + 24];
    bool bare_ipv6 = strchr(mqtt->host, ':') && mqtt->host[0] != '[';
    (void)snprintf(uri, sizeof uri, "%s://%s%s%s:%d", mqtt->tls ? "ssl" : "tcp", bare_ipv6 ? "[" : "",
                   mqtt->host, bare_ipv6 ? "]" : "", mqtt->port);
    if (link->tag->link == 0) {
        (void)snprintf(id, sizeof id, "%s", mqtt->client_id);
    } else {
        (void)snprintf(id, sizeof id, "%s-%zu", mqtt->client_id, link->tag->link);
    }
    MQTTAsync_createOptions options = MQTTAsync_createOptions_initializer;
    options.MQTTVersion = link->version == 5 ? MQTTVERSION_5 : MQTTVERSION_3_1_1;
    options.maxBufferedMessages = MOST_BUFFERED;
    options.restoreMessages = 0;
    int code =
        MQTTAsync_createWithOptions(&link->handle, uri, id, MQTTCLIENT_PERSISTENCE_NONE, NULL, &options);
    if (code != MQTTASYNC_SUCCESS) {
        link->handle = NULL;
        return explain(code, uri, error);
    }
    code = MQTTAsync_setCallbacks(link->handle, link->tag, on_lost, on_message, NULL);
    if (code == MQTTASYNC_SUCCESS) {
        code = MQTTAsync_setDisconnected(link->handle, link->tag, on_server_disconnect);
    }
    return code == MQTTASYNC_SUCCESS ? GR_OK : explain(code, uri, error);
}

static MQTTAsync_SSLOptions tls_options(const struct gr_mqtt *mqtt, struct gr_link_tag *tag)
{
    MQTTAsync_SSLOptions options = MQTTAsync_SSLOptions_initializer;
    if (mqtt->ca_file[0] != '\0') {
        options.trustStore = mqtt->ca_file;
        options.disableDefaultTrustStore = 1;
    }
    options.keyStore = mqtt->certificate_file[0] != '\0' ? mqtt->certificate_file : NULL;
    options.privateKey = mqtt->key_file[0] != '\0' ? mqtt->key_file : NULL;
    options.enableServerCertAuth = 1;
    options.verify = 1;
    options.ssl_error_cb = on_tls_error;
    options.ssl_error_context = tag;
    return options;
}

static MQTTAsync_willOptions will_options(const struct gr_last_will *will)
{
    MQTTAsync_willOptions options = MQTTAsync_willOptions_initializer;
    options.topicName = will->topic;
    options.message = will->payload;
    options.qos = 1;
    options.retained = 1;
    return options;
}

static MQTTAsync_connectOptions options_5(void)
{
    MQTTAsync_connectOptions options = MQTTAsync_connectOptions_initializer5;
    options.onSuccess5 = on_connected5;
    options.onFailure5 = on_refused5;
    return options;
}

static MQTTAsync_connectOptions options_4(void)
{
    MQTTAsync_connectOptions options = MQTTAsync_connectOptions_initializer;
    options.MQTTVersion = MQTTVERSION_3_1_1;
    options.cleansession = 1;
    options.onSuccess = on_connected4;
    options.onFailure = on_refused4;
    return options;
}

static MQTTProperty four_bytes(enum MQTTPropertyCodes code, unsigned value)
{
    MQTTProperty property = {.identifier = code};
    property.value.integer4 = value;
    return property;
}

/* The session expiry is left out: absent means that the session ends with the connection
 * (MQTT 5.0, 3.1.2.11.2). */
static int connect_handle(struct gr_link *link, const struct gr_link_attempt *attempt)
{
    const struct gr_mqtt *mqtt = attempt->mqtt;
    MQTTAsync_connectOptions options = link->version == 5 ? options_5() : options_4();
    MQTTAsync_SSLOptions tls = tls_options(mqtt, link->tag);
    MQTTAsync_willOptions will = will_options(&link->will);
    MQTTProperties properties = MQTTProperties_initializer;
    MQTTProperty size = four_bytes(MQTTPROPERTY_CODE_MAXIMUM_PACKET_SIZE, GR_MOST_PACKET_BYTES);
    if (link->version == 5 && MQTTProperties_add(&properties, &size) != 0) {
        return MQTTASYNC_FAILURE;
    }
    options.cleanstart = link->version == 5;
    options.connectProperties = link->version == 5 ? &properties : NULL;
    options.context = link->tag;
    options.keepAliveInterval = mqtt->keep_alive_s;
    options.connectTimeout = CONNECT_TIMEOUT_S;
    options.will = link->will.topic ? &will : NULL;
    options.ssl = mqtt->tls ? &tls : NULL;
    options.username = mqtt->user[0] != '\0' ? mqtt->user : NULL;
    options.password = attempt->password;
    int code = MQTTAsync_connect(link->handle, &options);
    MQTTProperties_free(&properties);
    return code;
}

int gr_link_open(struct gr_link *link, const struct gr_link_attempt *attempt, struct gr_error *error)
{
    link->version = attempt->version;
    link->tag = &link->tags[attempt->tag.generation % GR_LINK_TAGS];
    *link->tag = attempt->tag;
    int code = create_handle(link, attempt->mqtt, error);
    if (code != GR_OK) {
        return code;
    }
    code = connect_handle(link, attempt);
    return code == MQTTASYNC_SUCCESS ? GR_OK : explain(code, "connecting to the broker", error);
}

static MQTTAsync_responseOptions suback_options(const struct gr_link *link)
{
    MQTTAsync_responseOptions options = MQTTAsync_responseOptions_initializer;
    options.context = link->tag;
    if (link->version == 5) {
        options.onSuccess5 = on_suback5;
        options.onFailure5 = on_no_suback5;
    } else {
        options.onSuccess = on_suback4;
        options.onFailure = on_no_suback4;
    }
    return options;
}

/* QoS 0: with QoS 1 a broker keeps unacknowledged messages back and, when its queue is full, drops the new
 * ones and delivers the old. In a burst of 5 000 messages mosquitto 2.0.11 delivered 2 900 in a minute
 * without the last; with QoS 0 all came within 0.4 s. The session ends with the connection anyway, so QoS 1
 * would save nothing. */
int gr_link_subscribe(struct gr_link *link, struct gr_error *error)
{
    MQTTAsync_responseOptions options = suback_options(link);
    int *qos = calloc(link->tag->filter_count, sizeof *qos);
    if (!qos) {
        return gr_error_set(error, GR_NO_MEMORY, "no memory to subscribe");
    }
    int code = MQTTAsync_subscribeMany(link->handle, (int)link->tag->filter_count, link->tag->filters, qos,
                                       &options);
    free(qos);
    return code == MQTTASYNC_SUCCESS ? GR_OK : explain(code, "subscribing", error);
}

static MQTTAsync_responseOptions puback_options(const struct gr_link *link)
{
    MQTTAsync_responseOptions options = MQTTAsync_responseOptions_initializer;
    options.context = link->tag;
    if (link->version == 5) {
        options.onSuccess5 = on_puback5;
        options.onFailure5 = on_no_puback5;
    } else {
        options.onSuccess = on_puback4;
        options.onFailure = on_no_puback4;
    }
    return options;
}

int gr_link_publish(struct gr_link *link, struct gr_pending_publish *publish, struct gr_error *error)
{
    MQTTAsync_responseOptions options = puback_options(link);
    MQTTAsync_message message = MQTTAsync_message_initializer;
    MQTTProperty expiry = four_bytes(MQTTPROPERTY_CODE_MESSAGE_EXPIRY_INTERVAL, (unsigned)publish->expiry_s);
    message.payload = publish->payload;
    message.payloadlen = (int)publish->length;
    message.qos = 1;
    message.retained = publish->retained;
    if (link->version == 5 && publish->expiry_s > 0 &&
        MQTTProperties_add(&message.properties, &expiry) != 0) {
        return gr_error_set(error, GR_NO_MEMORY, "no memory to publish");
    }
    int code = MQTTAsync_sendMessage(link->handle, publish->topic, &message, &options);
    MQTTProperties_free(&message.properties);
    publish->token = options.token;
    return code == MQTTASYNC_SUCCESS ? GR_OK : explain(code, "publishing", error);
}

/* Before MQTT 5 every DISCONNECT cancels the will, so we publish it ourselves. */
static void publish_will(struct gr_link *link)
{
    MQTTAsync_message message = MQTTAsync_message_initializer;
    message.payload = link->will.payload;
    message.payloadlen = (int)strlen(link->will.payload);
    message.qos = 1;
    message.retained = 1;
    (void)MQTTAsync_sendMessage(link->handle, link->will.topic, &message, NULL);
}

static MQTTAsync_disconnectOptions disconnect_5(bool with_will)
{
    MQTTAsync_disconnectOptions options = MQTTAsync_disconnectOptions_initializer5;
    options.reasonCode =
        with_will ? MQTTREASONCODE_DISCONNECT_WITH_WILL_MESSAGE : MQTTREASONCODE_NORMAL_DISCONNECTION;
    options.onSuccess5 = on_closed5;
    options.onFailure5 = on_not_closed5;
    return options;
}

static MQTTAsync_disconnectOptions disconnect_4(void)
{
    MQTTAsync_disconnectOptions options = MQTTAsync_disconnectOptions_initializer;
    options.onSuccess = on_closed4;
    options.onFailure = on_not_closed4;
    return options;
}

void gr_link_close(struct gr_link *link, bool with_will, int wait_ms)
{
    with_will = with_will && link->will.topic;
    if (with_will && link->version == 4) {
        publish_will(link);
    }
    MQTTAsync_disconnectOptions options = link->version == 5 ? disconnect_5(with_will) : disconnect_4();
    options.context = link->tag;
    options.timeout = wait_ms;
    if (MQTTAsync_disconnect(link->handle, &options) != MQTTASYNC_SUCCESS) {
        report(link->tag, GR_NEWS_CLOSED, 0, NULL);
    }
}

void gr_link_destroy(struct gr_link *link)
{
    if (link->handle) {
        MQTTAsync_destroy(&link->handle);
        link->handle = NULL;
    }
}
