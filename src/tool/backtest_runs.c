/* Tariffs x strategies x sizes, each a run of its own on whichever core is free. */
#include "tool/backtest.h"

#include <math.h>
#include <pthread.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

struct pool {
    const struct gr_bt_scene *scene;
    struct gr_bt_runs *runs;
    bool failed;
    pthread_mutex_t lock;
    size_t next;
    bool on_terminal;
    double steps_done, steps_in_all;
    int percent_shown;
};

static void show_progress(void *context, size_t steps)
{
    struct pool *pool = context;
    (void)pthread_mutex_lock(&pool->lock);
    pool->steps_done += (double)steps;
    int percent = (int)(100 * pool->steps_done / pool->steps_in_all);
    if (pool->on_terminal && percent != pool->percent_shown) {
        static const char bar[] = "########################################";
        (void)fprintf(stderr, "\r%3d %% [%-40.*s]", percent, percent * 40 / 100, bar);
        pool->percent_shown = percent;
    }
    (void)pthread_mutex_unlock(&pool->lock);
}

static double processor_s(void)
{
    struct timespec now;
    (void)clock_gettime(CLOCK_THREAD_CPUTIME_ID, &now);
    return (double)now.tv_sec + 1e-9 * (double)now.tv_nsec;
}

/* Only the weeks' steps are kept: those of a year in many runs would fill the memory. */
static int keep_weeks(struct gr_bt_run *run, const struct gr_bt_scene *scene)
{
    for (size_t w = 0; w < scene->weeks; w++) {
        const struct gr_bt_week *week = &scene->week[w];
        size_t first = (size_t)((week->from_s - scene->from_s) / scene->usage.step_s);
        size_t bytes = gr_bt_week_steps(scene, w) * sizeof *run->week[w];
        run->week[w] = malloc(bytes);
        if (!run->week[w]) {
            return gr_error_set(&run->error, GR_NO_MEMORY, "no memory for a week's steps");
        }
        memcpy(run->week[w], run->result.steps + first, bytes);
        run->week_start_kwh[w] = first > 0 ? run->result.steps[first - 1].stored_kwh : run->result.start_kwh;
    }
    return GR_OK;
}

static void run_one(struct pool *pool, struct gr_bt_run *run)
{
    const struct gr_bt_scene *scene = pool->scene;
    struct gr_backtest backtest = {.config = &scene->config.engine,
                                   .zone = scene->zone,
                                   .usage = &scene->usage,
                                   .from_s = scene->from_s,
                                   .to_s = scene->to_s,
                                   .tariff = run->tariff,
                                   .strategy = run->strategy,
                                   .capacity_kwh = run->capacity_kwh,
                                   .know_load = scene->know_load,
                                   .know_solar = scene->know_solar,
                                   .know_price = scene->know_price,
                                   .late_readings = scene->late_readings,
                                   .progress = show_progress,
                                   .progress_context = pool};
    double start_s = processor_s();
    run->status = gr_backtest_run(&run->result, &backtest, &run->error);
    run->seconds = processor_s() - start_s;
    if (run->status == GR_OK) {
        run->status = keep_weeks(run, scene);
    }
    free(run->result.steps);
    run->result.steps = NULL;
    run->result.step_count = 0;
}

static void *work(void *context)
{
    struct pool *pool = context;
    for (;;) {
        (void)pthread_mutex_lock(&pool->lock);
        size_t mine = pool->failed ? pool->runs->count : pool->next++;
        (void)pthread_mutex_unlock(&pool->lock);
        if (mine >= pool->runs->count) {
            return NULL;
        }
        run_one(pool, &pool->runs->run[mine]);
        (void)pthread_mutex_lock(&pool->lock);
        pool->failed = pool->failed || pool->runs->run[mine].status != GR_OK;
        (void)pthread_mutex_unlock(&pool->lock);
    }
}

/* The calling thread works too, so that it goes on where no other can be started. */
static void work_on_all_cores(struct pool *pool)
{
    enum { MOST_THREADS = 64 };
    pthread_t thread[MOST_THREADS];
    long cores = sysconf(_SC_NPROCESSORS_ONLN);
    size_t wanted = cores > MOST_THREADS ? MOST_THREADS : cores > 1 ? (size_t)cores : 1;
    size_t started = 0;
    wanted = wanted < pool->runs->count ? wanted : pool->runs->count;
    while (started + 1 < wanted && pthread_create(&thread[started], NULL, work, pool) == 0) {
        started++;
    }
    (void)work(pool);
    for (size_t i = 0; i < started; i++) {
        (void)pthread_join(thread[i], NULL);
    }
    if (pool->on_terminal) {
        (void)fprintf(stderr, "\r%52s\r", "");
    }
}

static int list_runs(struct gr_bt_runs *out, const struct gr_bt_scene *scene)
{
    out->count = 0;
    out->run = calloc(scene->tariffs * scene->sizes * scene->strategies, sizeof *out->run);
    if (!out->run) {
        return GR_NO_MEMORY;
    }
    for (size_t t = 0; t < scene->tariffs; t++) {
        for (size_t b = 0; b < scene->sizes; b++) {
            for (size_t s = 0; s < scene->strategies; s++) {
                out->run[out->count++] = (struct gr_bt_run){.tariff = &scene->tariff[t],
                                                            .strategy = &scene->strategy[s],
                                                            .capacity_kwh = scene->battery_kwh[b],
                                                            .shown = s < scene->shown,
                                                            .share_of_foresight = NAN};
            }
        }
    }
    return GR_OK;
}

static const struct gr_bt_run *find_plain(const struct gr_bt_scene *scene, const struct gr_bt_run *group,
                                          enum gr_strategy_kind kind)
{
    size_t i = 0;
    while (!scene->is_plain[i] || scene->strategy[i].kind != kind) {
        i++; /* the scene has none, follow and foresight in any case */
    }
    return &group[i];
}

/* Hands every run the measures of its tariff and size. */
static void measure(struct gr_bt_runs *runs, const struct gr_bt_scene *scene)
{
    for (size_t i = 0; i < runs->count; i++) {
        struct gr_bt_run *run = &runs->run[i];
        const struct gr_bt_run *group = run - i % scene->strategies;
        run->none = find_plain(scene, group, GR_STRATEGY_NONE);
        run->follow = find_plain(scene, group, GR_STRATEGY_FOLLOW);
        run->foresight = find_plain(scene, group, GR_STRATEGY_FORESIGHT);
        run->share_of_foresight =
            gr_backtest_share_of_foresight(&run->result, &run->follow->result, &run->foresight->result);
    }
}

int gr_bt_run_all(struct gr_bt_runs *out, const struct gr_bt_scene *scene)
{
    if (list_runs(out, scene) != GR_OK) {
        fputs("granary backtest: out of memory\n", stderr);
        return GR_NO_MEMORY;
    }
    struct pool pool = {.scene = scene,
                        .runs = out,
                        .lock = PTHREAD_MUTEX_INITIALIZER,
                        .on_terminal = isatty(STDERR_FILENO) == 1,
                        .percent_shown = -1};
    double steps = (double)(scene->to_s - scene->from_s) / scene->usage.step_s;
    pool.steps_in_all = (double)out->count * steps;
    work_on_all_cores(&pool);
    for (size_t i = 0; i < out->count; i++) {
        if (out->run[i].status != GR_OK) {
            (void)fprintf(stderr, "granary backtest: strategy \"%s\": %s\n", out->run[i].strategy->name,
                          out->run[i].error.text);
            return out->run[i].status;
        }
    }
    measure(out, scene);
    return GR_OK;
}

void gr_bt_runs_free(struct gr_bt_runs *runs)
{
    for (size_t i = 0; i < runs->count; i++) {
        gr_backtest_result_free(&runs->run[i].result);
        for (size_t w = 0; w < GR_BT_WEEKS; w++) {
            free(runs->run[i].week[w]);
        }
    }
    free(runs->run);
    *runs = (struct gr_bt_runs){0};
}
