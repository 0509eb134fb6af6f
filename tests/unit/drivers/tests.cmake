unit_test(drivers_pdu SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/unit/drivers/pdu_test.c LINKS drivers)
unit_test(drivers_values SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/unit/drivers/values_test.c LINKS drivers)
unit_test(drivers_bus SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/unit/drivers/bus_test.c
  ${CMAKE_CURRENT_SOURCE_DIR}/unit/drivers/fixture.c LINKS drivers)
unit_test(drivers_bus_probe SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/unit/drivers/bus_probe_test.c
  ${CMAKE_CURRENT_SOURCE_DIR}/unit/drivers/fixture.c LINKS drivers)
unit_test(drivers_bus_capture SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/unit/drivers/bus_capture_test.c
  ${CMAKE_CURRENT_SOURCE_DIR}/unit/drivers/fixture.c LINKS drivers)
unit_test(drivers_bus_command SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/unit/drivers/bus_command_test.c
  ${CMAKE_CURRENT_SOURCE_DIR}/unit/drivers/fixture.c LINKS drivers)
unit_test(drivers_stream SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/unit/drivers/stream_test.c
  ${CMAKE_CURRENT_SOURCE_DIR}/unit/drivers/fixture.c LINKS drivers)
unit_test(drivers_text SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/unit/drivers/text_test.c
  ${CMAKE_CURRENT_SOURCE_DIR}/unit/drivers/fixture.c LINKS drivers)
unit_test(drivers_peers SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/unit/drivers/peers_test.c
  ${CMAKE_CURRENT_SOURCE_DIR}/unit/drivers/fixture.c LINKS drivers)
add_test(NAME drivers_stream_tcp COMMAND drivers_stream tcp)
add_test(NAME drivers_stream_rtu COMMAND drivers_stream rtu)
set_tests_properties(drivers_bus drivers_bus_command drivers_stream drivers_stream_tcp drivers_stream_rtu PROPERTIES
  LABELS threads TIMEOUT 120)
# 77: the other side's program is not installed here, and nothing was tested.
set_tests_properties(drivers_peers PROPERTIES SKIP_RETURN_CODE 77)
# Random faults over each framing: some in every run, ten thousand in the long one.
add_executable(drivers_storm ${CMAKE_CURRENT_SOURCE_DIR}/unit/drivers/fault_storm_test.c
  ${CMAKE_CURRENT_SOURCE_DIR}/unit/drivers/fixture.c)
target_link_libraries(drivers_storm PRIVATE drivers PkgConfig::CHECK Threads::Threads)
foreach(framing tcp rtu text)
  add_test(NAME drivers_storm_${framing} COMMAND drivers_storm ${framing})
  add_test(NAME drivers_storm_${framing}_long COMMAND drivers_storm ${framing})
  set_tests_properties(drivers_storm_${framing} PROPERTIES LABELS threads TIMEOUT 120)
  set_tests_properties(drivers_storm_${framing}_long PROPERTIES LABELS long TIMEOUT 1800
    ENVIRONMENT SOAKBENCH_LONG=1)
endforeach()
unit_test(drivers_session SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/unit/drivers/session_test.c
  ${CMAKE_CURRENT_SOURCE_DIR}/unit/drivers/fixture.c LINKS drivers)
set_tests_properties(drivers_session PROPERTIES LABELS threads)
unit_test(drivers_tty SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/unit/drivers/tty_test.c
  ${CMAKE_CURRENT_SOURCE_DIR}/unit/drivers/fixture.c ${CMAKE_CURRENT_SOURCE_DIR}/support/tty_shim.c LINKS drivers tty_room)
# 77: no right to a mount namespace here.
set_tests_properties(drivers_tty PROPERTIES LABELS threads SKIP_RETURN_CODE 77)
