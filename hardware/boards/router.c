/* Two-layer router by negotiated congestion: every net takes its cheapest way, crossing others at a price that rises
 * from round to round until nobody crosses anybody. Nodes are (layer, y, x) of a square grid. */
#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

enum { FREE = -1, BLOCKED = -2, MAX_WIDTHS = 8 };

typedef struct {
    int nx, ny, widths, nets;
    const int16_t *own;      /* [width][layer][node]: FREE, BLOCKED or the net that may pass */
    const int16_t *own_via;  /* [node] */
    const uint8_t *region;   /* [node] */
    const int32_t *net_width, *net_region, *net_xmax;
    const int32_t *pin_start; /* [nets + 1] into pin_nodes_start */
    const int32_t *pin_nodes_start, *pin_nodes;
    const float *reach;      /* [width or via][width or via]: distance between centres below which they collide, cells */
    float via_cost;
} problem;

typedef struct { float key, cost; int32_t node; } entry;
static entry *heap;
static int heap_count, heap_room;

static void push(float key, float cost, int32_t node) {
    if (heap_count == heap_room) heap = realloc(heap, sizeof(entry) * (size_t)(heap_room = heap_room ? 2 * heap_room : 4096));
    int i = heap_count++;
    while (i && heap[(i - 1) / 2].key > key) { heap[i] = heap[(i - 1) / 2]; i = (i - 1) / 2; }
    heap[i].key = key; heap[i].cost = cost; heap[i].node = node;
}

static entry pop(void) {
    entry top = heap[0], last = heap[--heap_count];
    int i = 0, c;
    while ((c = 2 * i + 1) < heap_count) {
        if (c + 1 < heap_count && heap[c + 1].key < heap[c].key) c++;
        if (heap[c].key >= last.key) break;
        heap[i] = heap[c]; i = c;
    }
    heap[i] = last;
    return top;
}

typedef struct { int32_t *node; int count, room; } list;
static void add(list *l, int32_t n) {
    if (l->count == l->room) l->node = realloc(l->node, sizeof(int32_t) * (size_t)(l->room = l->room ? 2 * l->room : 64));
    l->node[l->count++] = n;
}

static const problem *P;
static int N;                       /* nodes of a layer */
static uint16_t *occ, *occ_via;     /* how many nets keep a track (of a width) or a via from here */
static float *hist;
static int32_t *parent, *stamp, *target_of;
static int stamp_now;
static list touched, *path, *marks;          /* of each net: its steps (node, parent) and the counters it raised */

/* Every disc that a piece of copper of kind `kind` (width, or widths = via) at a node keeps others from. */
static void disc(list *m, int kind, int layer, int at) {
    int x0 = at % P->nx, y0 = at / P->nx, kinds = P->widths + 1;
    for (int other = 0; other < kinds; other++) {
        float r = P->reach[kind * kinds + other];
        int ir = (int)ceilf(r);
        for (int dy = -ir; dy <= ir; dy++) for (int dx = -ir; dx <= ir; dx++) {
            int x = x0 + dx, y = y0 + dy;
            if (x < 0 || y < 0 || x >= P->nx || y >= P->ny || (float)(dx * dx + dy * dy) >= r * r) continue;
            int n = y * P->nx + x;
            int from = layer < 0 ? 0 : layer, to = layer < 0 ? 1 : layer;
            for (int l = from; l <= to; l++) {
                int32_t id = other == P->widths ? 2 * P->widths * N + n : (other * 2 + l) * N + n;
                if (stamp[id] == stamp_now) continue;
                stamp[id] = stamp_now;
                add(m, id);
            }
        }
    }
}

static void count_net(int net, int by) {
    for (int i = 0; i < marks[net].count; i++) {
        int32_t id = marks[net].node[i];
        if (id >= 2 * P->widths * N) occ_via[id - 2 * P->widths * N] += (uint16_t)by;
        else occ[id] += (uint16_t)by;
    }
}

/* What a step onto a node costs this net, and the least that was paid to get there: side by side for the cache. */
typedef struct { float cost, best; } price_tag;
static price_tag *tag;
static float *via_price;
static const float NEVER = 1e30f;

static void price_nodes(int net, float price, int hard, int x0, int y0, int x1, int y1) {
    int w = P->net_width[net];
    for (int y = y0; y <= y1; y++) for (int x = x0; x <= x1; x++) {
        int at = y * P->nx + x;
        int shut = P->region[at] != P->net_region[net] || x > P->net_xmax[net];
        for (int layer = 0; layer < 2; layer++) {
            int32_t n = layer * N + at;
            int16_t o = P->own[(size_t)w * 2 * N + n];
            uint16_t others = occ[(size_t)w * 2 * N + n];
            int no = shut || (o != FREE && o != net) || (hard && others);
            tag[n].cost = no ? NEVER : 1 + price * others + hist[n];
            tag[n].best = NEVER;
        }
        int16_t o = P->own_via[at];
        int no = shut || (o != FREE && o != net) || (hard && occ_via[at]);
        via_price[at] = no ? NEVER : P->via_cost * (1 + price * occ_via[at]);
    }
}

/* At least so much is still to pay from here to the nearest pin that is not reached yet; 0 while many are left. */
enum { FEW = 12 };
/* More than 1: finds a way sooner, a little longer than the best. */
static const float EAGER = 1.35f;
static int goal_count, goal_x[FEW], goal_y[FEW];
static float ahead(int at) {
    float least = goal_count ? 1e9f : 0;
    int x = at % P->nx, y = at / P->nx;
    for (int i = 0; i < goal_count; i++) {
        float dx = (float)abs(x - goal_x[i]), dy = (float)abs(y - goal_y[i]);
        float d = (dx > dy ? dx + 0.4142f * dy : dy + 0.4142f * dx) - 4;  /* 4: a pad is not a point */
        if (d < least) least = d;
    }
    return least > 0 ? EAGER * least : 0;
}

static void reach_node(int32_t n, int32_t from, float cost) {
    if (cost >= tag[n].best) return;
    if (tag[n].best == NEVER) add(&touched, n);
    tag[n].best = cost;
    parent[n] = from;
    push(cost + ahead(n % N), cost, n);
}

/* One net from pin to pin. Returns the number of pins that could not be reached. */
static int route_net(int net, float price, int hard) {
    int w = P->net_width[net], first = P->pin_start[net], last = P->pin_start[net + 1], left = last - first - 1;
    static uint8_t *done; static int done_room;
    if (done_room < last - first) done = realloc(done, (size_t)(done_room = last - first));
    memset(done, 0, (size_t)(last - first));
    done[0] = 1;
    list tree = {0};
    int wx0 = P->nx, wx1 = 0, wy0 = P->ny, wy1 = 0, spare = 40;   /* look no further than a little around the pins */
    for (int i = P->pin_nodes_start[first]; i < P->pin_nodes_start[last]; i++) {
        int at = P->pin_nodes[i] % N, x = at % P->nx, y = at / P->nx;
        if (x < wx0) wx0 = x;
        if (x > wx1) wx1 = x;
        if (y < wy0) wy0 = y;
        if (y > wy1) wy1 = y;
    }
    wx0 = wx0 > spare ? wx0 - spare : 0; wy0 = wy0 > spare ? wy0 - spare : 0;
    wx1 = wx1 + spare < P->nx ? wx1 + spare : P->nx - 1; wy1 = wy1 + spare < P->ny ? wy1 + spare : P->ny - 1;
    path[net].count = 0;
    price_nodes(net, price, hard, wx0, wy0, wx1, wy1);
    for (int i = P->pin_nodes_start[first]; i < P->pin_nodes_start[first + 1]; i++) add(&tree, P->pin_nodes[i]);
    for (int p = first; p < last; p++)
        for (int i = P->pin_nodes_start[p]; i < P->pin_nodes_start[p + 1]; i++) target_of[P->pin_nodes[i]] = p - first + 1;
    while (left) {
        for (int i = 0; i < touched.count; i++) tag[touched.node[i]].best = NEVER;
        touched.count = heap_count = goal_count = 0;
        if (left <= FEW)
            for (int p = first; p < last; p++)
                if (!done[p - first]) {
                    int at = P->pin_nodes[(P->pin_nodes_start[p] + P->pin_nodes_start[p + 1]) / 2] % N;
                    goal_x[goal_count] = at % P->nx; goal_y[goal_count++] = at / P->nx;
                }
        for (int i = 0; i < tree.count; i++) {
            if (tag[tree.node[i]].best == 0) continue;
            tag[tree.node[i]].best = 0; parent[tree.node[i]] = -1; add(&touched, tree.node[i]);
            push(ahead(tree.node[i] % N), 0, tree.node[i]);
        }
        int32_t end = -1;
        while (heap_count) {
            entry e = pop();
            if (e.cost > tag[e.node].best) continue;
            int t = target_of[e.node];
            if (t && !done[t - 1]) { end = e.node; break; }
            int layer = e.node / N, at = e.node % N, x = at % P->nx, y = at / P->nx;
            int px = 0, py = 0, turn = parent[e.node] >= 0 && parent[e.node] / N == layer;
            if (turn) { int q = parent[e.node] % N; px = x - q % P->nx; py = y - q / P->nx; }
            for (int dy = -1; dy <= 1; dy++) for (int dx = -1; dx <= 1; dx++) {
                if (!dx && !dy) continue;
                int ax = x + dx, ay = y + dy;
                if (ax < wx0 || ay < wy0 || ax > wx1 || ay > wy1) continue;
                int32_t n = layer * N + ay * P->nx + ax;
                if (tag[n].cost == NEVER) continue;
                float step = dx && dy ? 1.4142f : 1.0f;
                if (layer == 0 ? dy && !dx : dx && !dy) step *= 1.15f;   /* top runs across, bottom up and down */
                float c = e.cost + step * tag[n].cost;
                if (turn && (dx != px || dy != py)) c += dx * px + dy * py > 0 ? 0.3f : 1.2f;
                reach_node(n, e.node, c);
            }
            int32_t n = (1 - layer) * N + at;
            if (via_price[at] != NEVER && tag[n].cost != NEVER) reach_node(n, e.node, e.cost + via_price[at]);
        }
        if (end < 0) break;
        int pin = first + target_of[end] - 1;
        done[target_of[end] - 1] = 1; left--;
        for (int i = P->pin_nodes_start[pin]; i < P->pin_nodes_start[pin + 1]; i++) add(&tree, P->pin_nodes[i]);
        for (int32_t n = end; n >= 0; n = parent[n]) { add(&path[net], n); add(&tree, n); }
        add(&path[net], -1);
    }
    for (int p = first; p < last; p++)
        for (int i = P->pin_nodes_start[p]; i < P->pin_nodes_start[p + 1]; i++) target_of[P->pin_nodes[i]] = 0;
    free(tree.node);
    marks[net].count = 0;
    stamp_now++;
    for (int i = 0; i + 1 < path[net].count; i++) {
        int32_t a = path[net].node[i], b = path[net].node[i + 1];
        if (a < 0) continue;
        disc(&marks[net], w, a / N, a % N);
        if (b >= 0 && a / N != b / N) disc(&marks[net], P->widths, -1, a % N);
    }
    return left;
}

static int collisions(int net, float add_hist) {
    int w = P->net_width[net], found = 0;
    for (int i = 0; i + 1 < path[net].count; i++) {
        int32_t a = path[net].node[i], b = path[net].node[i + 1];
        if (a < 0) continue;
        if (occ[(size_t)w * 2 * N + a] > 1) { found++; hist[a] += add_hist; }
        if (b >= 0 && a / N != b / N && occ_via[a % N] > 1) { found++; hist[a] += add_hist; hist[b] += add_hist; }
    }
    return found;
}

/* Lets every net but the last give way until nobody collides; returns what is left, 100000 more for a pin not reached. */
static int settle(int rounds, float price, void (*report)(int, int, int)) {
    int left = 0, missing = 0;
    static int started;
    for (int round = 0; round < rounds; round++) {
        int moved = 0;
        missing = 0;
        for (int net = 0; net < P->nets - 1; net++) {
            if (P->pin_start[net + 1] - P->pin_start[net] < 2) continue;
            if (path[net].count && !collisions(net, 0)) continue;
            count_net(net, -1);
            missing += route_net(net, price, 0);
            count_net(net, 1);
            moved++;
        }
        left = 0;
        for (int net = 0; net < P->nets - 1; net++) left += collisions(net, 1.0f);
        if (report && moved) report(started++, left, moved);
        if (!left && !missing) break;
        price = price < 40 ? price * 1.35f : price;
    }
    return left + 100000 * missing;
}

/* Returns the number of collisions that are left plus 100000 for every pin not reached; `out` gets nodes of the paths,
 * -1 between pieces, -2 between nets. `report(round, collisions)` is called after every round. */
int route(const problem *p, int rounds, int32_t *out, int out_room, void (*report)(int, int, int)) {
    P = p; N = p->nx * p->ny;
    size_t tracks = (size_t)p->widths * 2 * N;
    occ = calloc(tracks, sizeof *occ); occ_via = calloc((size_t)N, sizeof *occ_via);
    hist = calloc(2 * (size_t)N, sizeof *hist); tag = malloc(2 * (size_t)N * sizeof *tag);
    via_price = malloc((size_t)N * sizeof *via_price);
    parent = malloc(2 * (size_t)N * sizeof *parent); target_of = calloc(2 * (size_t)N, sizeof *target_of);
    stamp = calloc(tracks + (size_t)N, sizeof *stamp); stamp_now = 0;
    path = calloc((size_t)p->nets, sizeof *path); marks = calloc((size_t)p->nets, sizeof *marks);
    touched.count = 0;
    int ground = p->nets - 1, ground_left = 0;
    int left = settle(rounds, 0.5f, report);
    /* The ground takes what is left. Where that does not do it crosses others once, who then go round it. */
    for (int attempt = 0; attempt < 4; attempt++) {
        count_net(ground, -1);
        ground_left = route_net(ground, 0, 1);
        if (ground_left) ground_left = route_net(ground, 3, 0);
        count_net(ground, 1);
        if (report) report(-1, ground_left, 1);
        left = settle(rounds, 3, report);
        if (!ground_left && !left) break;
    }
    int k = 0;
    for (int net = 0; net < p->nets; net++) {
        for (int i = 0; i < path[net].count && k < out_room - 1; i++) out[k++] = path[net].node[i];
        out[k++] = -2;
    }
    for (int net = 0; net < p->nets; net++) { free(path[net].node); free(marks[net].node); }
    free(occ); free(occ_via); free(hist); free(tag); free(via_price); free(parent); free(target_of); free(stamp); free(path); free(marks);
    return left + 100000 * ground_left;
}
