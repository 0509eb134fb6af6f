unit_test(drivers_pdu SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/unit/drivers/pdu_test.c LINKS drivers)
unit_test(drivers_values SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/unit/drivers/values_test.c LINKS drivers)
unit_test(drivers_bus SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/unit/drivers/bus_test.c
  ${CMAKE_CURRENT_SOURCE_DIR}/unit/drivers/fixture.c LINKS drivers)
unit_test(drivers_stream SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/unit/drivers/stream_test.c
  ${CMAKE_CURRENT_SOURCE_DIR}/unit/drivers/fixture.c LINKS drivers)
unit_test(drivers_text SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/unit/drivers/text_test.c
  ${CMAKE_CURRENT_SOURCE_DIR}/unit/drivers/fixture.c LINKS drivers)
unit_test(drivers_peers SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/unit/drivers/peers_test.c
  ${CMAKE_CURRENT_SOURCE_DIR}/unit/drivers/fixture.c LINKS drivers)
set_tests_properties(drivers_bus drivers_stream PROPERTIES LABELS threads)
