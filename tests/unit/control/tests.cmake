unit_test(control_protocol_test SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/unit/control/protocol_test.c LINKS control)
unit_test(control_server_test SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/unit/control/server_test.c
  ${CMAKE_CURRENT_SOURCE_DIR}/unit/control/fake_daemon.c LINKS control)
unit_test(control_fleet_test SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/unit/control/fleet_test.c
  ${CMAKE_CURRENT_SOURCE_DIR}/unit/control/fake_daemon.c LINKS control)
unit_test(control_clients_test SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/unit/control/clients_test.c
  ${CMAKE_CURRENT_SOURCE_DIR}/unit/control/fake_daemon.c LINKS control)
unit_test(control_order_test SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/unit/control/order_test.c
  ${CMAKE_CURRENT_SOURCE_DIR}/unit/control/fake_daemon.c LINKS control)
foreach(t control_protocol_test control_server_test control_fleet_test control_clients_test control_order_test)
  target_link_libraries(${t} PRIVATE PkgConfig::jansson)
endforeach()
set_tests_properties(control_server_test control_fleet_test control_clients_test PROPERTIES LABELS threads)
