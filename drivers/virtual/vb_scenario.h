/* The parts of the scenario reader. */
#ifndef VB_SCENARIO_H
#define VB_SCENARIO_H

#include "vb_world.h"
#include "vb_yaml.h"

int vb_scenario_circuits(struct vbench *vb, struct vb_yaml *y, yaml_node_t *list);
int vb_scenario_units(struct vbench *vb, struct vb_yaml *y, yaml_node_t *list);
int vb_scenario_channels(struct vbench *vb, struct vb_yaml *y, yaml_node_t *list);
int vb_scenario_buses(struct vbench *vb, struct vb_yaml *y, yaml_node_t *list);
int vb_scenario_devices(struct vbench *vb, struct vb_yaml *y, yaml_node_t *list);
int vb_scenario_event(struct vbench *vb, struct vb_yaml *y, yaml_node_t *map, struct vb_event *event);

/* The name under a key, looked up among the bench's objects: the index, `missing` when the key is not there, -2 with
 * the error set when there is no such object. */
int vb_scenario_channel(struct vbench *vb, struct vb_yaml *y, yaml_node_t *map, const char *key, int missing);
int vb_scenario_circuit(struct vbench *vb, struct vb_yaml *y, yaml_node_t *map, const char *key, int missing);
int vb_scenario_device(struct vbench *vb, struct vb_yaml *y, yaml_node_t *map, const char *key, int missing);
int vb_scenario_unit(struct vbench *vb, struct vb_yaml *y, yaml_node_t *map, const char *key, int missing);

#endif
